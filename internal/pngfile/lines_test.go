package pngfile

import (
	"math/rand/v2"
	"testing"
)

func BenchmarkUnfilter(b *testing.B) {
	noise := rand.New(rand.NewPCG(5, 6))
	line, above := make([]byte, 6*1920), make([]byte, 6*1920)
	for i := range line {
		line[i], above[i] = byte(noise.Uint32()), byte(noise.Uint32())
	}
	for filter, name := range []string{1: "Sub", "Up", "Average", "Paeth"} {
		if filter > 0 {
			b.Run(name, func(b *testing.B) {
				b.SetBytes(int64(len(line)))
				for b.Loop() {
					unfilter(byte(filter), line, above, 6)
				}
			})
		}
	}
}
