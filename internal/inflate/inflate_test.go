package inflate

import (
	"bufio"
	"bytes"
	"compress/flate"
	"fmt"
	"io"
	"math/rand/v2"
	"strings"
	"testing"
	"testing/iotest"
)

// samples are bytes of all kinds, by name.
func samples() map[string][]byte {
	rng := rand.New(rand.NewPCG(1, 2))
	noise, skewed, runs := make([]byte, 300_000), make([]byte, 300_000), make([]byte, 300_000)
	for i := range noise {
		noise[i] = byte(rng.Uint32())
		skewed[i] = byte(int8(rng.NormFloat64() * rng.ExpFloat64() * 10))
	}
	for i := 0; i < len(runs); {
		v := byte(rng.IntN(3))
		for range rng.IntN(700) {
			if i < len(runs) {
				runs[i] = v
				i++
			}
		}
	}
	return map[string][]byte{
		"nothing": {}, "one": {7}, "noise": noise, "skewed": skewed, "runs": runs,
		"words": []byte(strings.Repeat("the screen, the band and the color plate; ", 9000)),
		"mixed": bytes.Join([][]byte{noise[:70_000], runs[:90_000], skewed[:5000], noise[:70_000]}, nil),
	}
}

func packed(tb testing.TB, b []byte, level int) []byte {
	var out bytes.Buffer
	w, err := flate.NewWriter(&out, level)
	if err != nil {
		tb.Fatal(err)
	}
	w.Write(b)
	w.Close()
	return out.Bytes()
}

// What compress/flate packs comes back, through readers that give any part at a time, and the byte
// behind it is the next.
func TestReader(t *testing.T) {
	for name, want := range samples() {
		for _, level := range []int{flate.HuffmanOnly, flate.NoCompression, flate.BestSpeed, 6, flate.BestCompression} {
			in := append(packed(t, want, level), "behind"...)
			for _, from := range []struct {
				name string
				io.Reader
			}{{"whole", bytes.NewReader(in)}, {"halves", iotest.HalfReader(bytes.NewReader(in))}, {"bytes", iotest.OneByteReader(bytes.NewReader(in))}} {
				t.Run(fmt.Sprintf("%s/%d/%s", name, level, from.name), func(t *testing.T) {
					r := bufio.NewReaderSize(from, 1<<10)
					got, err := io.ReadAll(NewReader(r))
					if err != nil || !bytes.Equal(got, want) {
						t.Fatalf("%d bytes of %d, alike %v: %v", len(got), len(want), bytes.Equal(got, want), err)
					}
					if rest, err := io.ReadAll(r); string(rest) != "behind" {
						t.Errorf("behind the end comes %q, %v", rest, err)
					}
				})
			}
		}
	}
}

// A stream that is cut off anywhere says so, and an error of the reader comes as it is.
func TestCutOff(t *testing.T) {
	all := samples()
	for _, name := range []string{"words", "skewed"} {
		for _, level := range []int{flate.NoCompression, flate.HuffmanOnly, 6} {
			in := packed(t, all[name][:3000], level)
			for n := range in {
				_, err := io.ReadAll(NewReader(bufio.NewReader(bytes.NewReader(in[:n]))))
				if err != io.ErrUnexpectedEOF {
					t.Fatalf("%s, level %d, %d of %d bytes: %v", name, level, n, len(in), err)
				}
				broken := fmt.Errorf("broken")
				_, err = io.ReadAll(NewReader(bufio.NewReader(io.MultiReader(bytes.NewReader(in[:n]), iotest.ErrReader(broken)))))
				if err != broken {
					t.Fatalf("%s, level %d, broken after %d of %d bytes: %v", name, level, n, len(in), err)
				}
			}
		}
	}
}

// alike reports how a Reader differs from compress/flate on any bytes: in what comes before an error,
// in whether there is one, and in how much was read of what is in order.
func alike(in []byte, size int) error {
	const most = 1 << 20
	theirs, ours := bufio.NewReaderSize(bytes.NewReader(in), size), bufio.NewReaderSize(bytes.NewReader(in), size)
	want, wrong := io.ReadAll(io.LimitReader(flate.NewReader(theirs), most))
	got, err := io.ReadAll(io.LimitReader(NewReader(ours), most))
	if (err == nil) != (wrong == nil) {
		return fmt.Errorf("%v, and compress/flate says %v", err, wrong)
	}
	if err == nil && !bytes.Equal(got, want) {
		return fmt.Errorf("%d bytes, and %d of compress/flate's", len(got), len(want))
	}
	if n := min(len(got), len(want)); !bytes.Equal(got[:n], want[:n]) {
		return fmt.Errorf("the first %d bytes differ", n)
	}
	if err == nil && len(got) < most {
		a, _ := io.ReadAll(ours)
		b, _ := io.ReadAll(theirs)
		if !bytes.Equal(a, b) {
			return fmt.Errorf("%d bytes behind the end, and %d of compress/flate's", len(a), len(b))
		}
	}
	return nil
}

// Damaged streams are refused where compress/flate refuses them.
func TestDamaged(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	for name, b := range samples() {
		for _, level := range []int{flate.NoCompression, flate.HuffmanOnly, flate.BestSpeed, 9} {
			in := packed(t, b[:min(len(b), 20_000)], level)
			for n := range 60 {
				bad := bytes.Clone(in)
				for range 1 + n%3 {
					bad[rng.IntN(min(len(bad), 1+len(bad)>>(n%8)))] ^= 1 << rng.IntN(8)
				}
				if err := alike(bad, 16+rng.IntN(5000)); err != nil {
					t.Errorf("%s, level %d, case %d: %v", name, level, n, err)
				}
			}
		}
	}
}

func FuzzReader(f *testing.F) {
	for _, b := range samples() {
		for _, level := range []int{flate.NoCompression, flate.HuffmanOnly, 6} {
			f.Add(packed(f, b[:min(len(b), 2000)], level))
		}
	}
	f.Add([]byte{3, 0})                   // the fixed codes
	f.Add([]byte{0xff, 0xff})             // no kind of block
	f.Add([]byte{5, 0xc0, 0x81, 8, 0, 0}) // codes of one symbol
	f.Fuzz(func(t *testing.T, in []byte) {
		if err := alike(in, 64); err != nil {
			t.Error(err)
		}
	})
}

func BenchmarkReader(b *testing.B) {
	all := samples()
	for _, name := range []string{"noise", "skewed", "runs", "words"} {
		in := packed(b, all[name], flate.HuffmanOnly)
		if name == "runs" || name == "words" {
			in = packed(b, all[name], 6)
		}
		b.Run(name, func(b *testing.B) {
			b.SetBytes(int64(len(all[name])))
			for b.Loop() {
				io.Copy(io.Discard, NewReader(bufio.NewReaderSize(bytes.NewReader(in), 1<<14)))
			}
		})
	}
}
