package plate_test

import (
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"

	"example.com/twinplate/plate"
)

func BenchmarkY4M(b *testing.B) {
	const w, h = 1920, 1080
	random := rand.New(rand.NewPCG(1, 1))
	for _, layout := range []struct {
		name  string
		bytes int
	}{{"C420mpeg2", w * h * 3 / 2}, {"C420p10", w * h * 3}, {"C422", w * h * 2}, {"C444", w * h * 3}} {
		pix := make([]byte, layout.bytes)
		for i := range pix {
			pix[i] = byte(random.IntN(200)+20) >> (i & 1 * strings.Count(layout.name, "p10") * 6)
		}
		path := writeFile(b, "0001.y4m", fmt.Sprintf("YUV4MPEG2 W%d H%d %s\nFRAME\n%s", w, h, layout.name, pix))
		b.Run(layout.name, func(b *testing.B) {
			for b.Loop() {
				if _, err := plate.ReadRGB(path, plate.BT709, nil); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
