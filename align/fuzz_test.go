package align

import (
	"context"
	"testing"

	"example.com/twinplate/plate"
)

// The chart finder is given whatever sizes and pixels: it finds a geometry that Check passes, or says why not.
func FuzzFromChart(f *testing.F) {
	chart, err := NewChart(297, 210, 0)
	if err != nil {
		f.Fatal(err)
	}
	small := usualView
	small.side = 12
	pair := small.draw(chart, Identity(160, 90), 1)
	drawn := make([]byte, len(pair.Band.Pix))
	for i, v := range pair.Band.Pix {
		drawn[i] = byte(min(max(v, 0), 1) * 255)
	}
	f.Add(drawn, uint8(160), uint8(90), uint8(160), uint8(90))
	f.Add(drawn, uint8(159), uint8(91), uint8(161), uint8(89))
	f.Add([]byte{0, 255}, uint8(1), uint8(1), uint8(255), uint8(1))
	f.Add([]byte{0, 255, 255}, uint8(13), uint8(250), uint8(14), uint8(13))
	f.Add([]byte{}, uint8(0), uint8(0), uint8(40), uint8(40))
	f.Fuzz(func(t *testing.T, pixels []byte, w1, h1, w2, h2 uint8) {
		at := func(w, h, i int) float32 { // the pixels again and again
			if len(pixels) == 0 || w*h == 0 {
				return 0
			}
			return float32(pixels[i%len(pixels)]) / 255
		}
		p := Pair{Color: plate.NewRGB(int(w1), int(h1)), Band: plate.NewGray(int(w2), int(h2))}
		for i := range p.Band.Pix {
			p.Band.Pix[i] = at(int(w2), int(h2), i)
		}
		for c := range 3 {
			for i := range p.Color.Pix[c] {
				p.Color.Pix[c][i] = at(int(w1), int(h1), i)
			}
		}
		e, err := FromChart(context.Background(), []Pair{p})
		if err != nil {
			return
		}
		if err := e.Geometry.Check(); err != nil {
			t.Fatal(err)
		}
	})
}
