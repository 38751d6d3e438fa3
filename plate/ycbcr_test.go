package plate

import (
	"image"
	"math/rand/v2"
	"slices"
	"testing"
)

// A JPEG's rows are decoded as its pixels are one by one (color.YCbCr.RGBA), at every ratio, from odd corners too.
func TestYCbCrByRows(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 4))
	for _, ratio := range []image.YCbCrSubsampleRatio{
		image.YCbCrSubsampleRatio444, image.YCbCrSubsampleRatio422, image.YCbCrSubsampleRatio420,
		image.YCbCrSubsampleRatio440, image.YCbCrSubsampleRatio411, image.YCbCrSubsampleRatio410,
	} {
		whole := image.NewYCbCr(image.Rect(0, 0, 61, 40), ratio)
		for _, plane := range [][]byte{whole.Y, whole.Cb, whole.Cr} {
			for i := range plane {
				plane[i] = byte(random.IntN(256))
			}
		}
		for i := range whole.Cb[:len(whole.Cb)/2] { // gray ones too
			whole.Cb[i], whole.Cr[i] = 128, 128
		}
		for _, part := range []image.Rectangle{whole.Rect, image.Rect(3, 5, 50, 33)} {
			m := whole.SubImage(part).(*image.YCbCr)
			want := FromImage(m, SRGB)
			got := RGBFromImage(m, SRGB)
			weights := &[3]float32{0.7, 0.2, 0.1}
			gray, weighted := GrayFromImage(m, SRGB, nil), GrayFromImage(m, SRGB, weights)
			for c := range 3 {
				if !slices.Equal(got.Pix[c], want.Pix[c]) {
					t.Errorf("%v, %v: channel %d differs", ratio, part, c)
				}
			}
			for i, v := range gray.Pix {
				r, g, b := want.Pix[0][i], want.Pix[1][i], want.Pix[2][i]
				if v != oneOf(r, g, b, nil) || weighted.Pix[i] != oneOf(r, g, b, weights) {
					t.Errorf("%v, %v: pixel %d is %v as gray and %v with weights, want %v and %v", ratio, part, i, v, weighted.Pix[i], oneOf(r, g, b, nil), oneOf(r, g, b, weights))
					break
				}
			}
		}
	}
}
