//go:build !js

package clip

import (
	"bytes"
	"fmt"
	"testing"

	"example.com/twinplate/plate"
)

// What all cores make of a frame is what its rows make of it one by one, also of sizes that chroma
// does not go into evenly.
func TestRowsAreTheFrame(t *testing.T) {
	for kind, k := range kinds {
		for _, size := range [][2]int{{1, 1}, {2, 2}, {1, 8}, {333, 211}, {400, 240}} {
			f, alpha := plate.NewRGB(size[0], size[1]), (*plate.Gray)(nil)
			for i := range f.Pix[0] {
				f.Pix[0][i], f.Pix[1][i], f.Pix[2][i] = float32(i*7%101)/100, float32(i*13%103)/90-0.1, float32(i%17)/20
			}
			o := WriterOptions{Kind: kind, W: f.W, H: f.H, Depth: 16, Curve: plate.SRGB}
			if kind == VP9 {
				o.Alpha, alpha = "premultiplied", &plate.Gray{W: f.W, H: f.H, Pix: f.Pix[1]}
			}
			w := &Writer{encoder: newEncoder(&o, k.pixels)}
			at := fmt.Sprintf("%s of %v", k.container, size)
			whole := make([]byte, w.encoder.bytes())
			w.encoder.fill(whole, f, alpha)
			one := w.NewBuffer()
			for range 2 { // the second time with what the first has left
				clear(one.data)
				for y := range f.H {
					var a []float32
					if alpha != nil {
						a = alpha.Pix[y*f.W : (y+1)*f.W]
					}
					one.Row(y, f.Row(y), a)
				}
				if !bytes.Equal(one.data, whole) {
					t.Errorf("%s: the rows make another frame", at)
				}
			}
			if f.W > 300 && bytes.Equal(whole[:f.W], whole[f.W:2*f.W]) {
				t.Errorf("%s: two rows of a frame that changes are the same", at)
			}
		}
	}
}
