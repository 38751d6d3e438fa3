package align

import (
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"testing"

	"example.com/twinplate/plate"
)

func TestKernelNames(t *testing.T) {
	for name, want := range map[string]Kernel{"bicubic": Bicubic, "Lanczos3": Lanczos3, "BILINEAR": Bilinear} {
		if k, err := ParseKernel(name); k != want || err != nil || k.String() != strings.ToLower(name) {
			t.Errorf("%s: %v, %v", name, k, err)
		}
	}
	if _, err := ParseKernel("nearest"); err == nil || !strings.Contains(err.Error(), "bicubic, lanczos3, bilinear") {
		t.Errorf("an unknown name: %v", err)
	}
	var back struct{ K Kernel }
	data, err := json.Marshal(struct{ K Kernel }{Lanczos3})
	if err == nil {
		err = json.Unmarshal(data, &back)
	}
	if err != nil || back.K != Lanczos3 {
		t.Errorf("%s: %v, %v", data, back.K, err)
	}
	if _, err := json.Marshal(Kernel(7)); err == nil || Kernel(7).String() != "Kernel(7)" {
		t.Errorf("kernel 7: %v", err)
	}
	if err := json.Unmarshal([]byte(`{"K": "sharp"}`), &back); err == nil {
		t.Error("a kernel called sharp: no error")
	}
}

// A flat plate stays flat by every kernel, widened or not, up to and beyond its borders.
func TestKernelsKeepLight(t *testing.T) {
	for k := range Kernel(len(kernels)) {
		for _, g := range []Geometry{moved(24, 16, 5.3, -7.6), NewGeometry(24, 16, 60, 30)} {
			src := noisePlate(g.BandW, g.BandH, 1)
			for i := range src.Pix {
				src.Pix[i] = 0.7
			}
			for i, v := range k.NewResampler(g).Gray(nil, src).Pix {
				if math.Abs(float64(v)-0.7) > 1e-6 {
					t.Fatalf("%v, band plate of %dx%d: pixel %d of a plate of 0.7 is %v", k, g.BandW, g.BandH, i, v)
				}
			}
		}
	}
}

func ExampleKernel_NewResampler() {
	// A white column, seen half a pixel further.
	g := Identity(8, 1)
	g.Homography[2] = 0.5
	src := plate.NewGray(8, 1)
	src.Pix[4] = 1
	for _, name := range []string{"bilinear", "bicubic", "lanczos3"} {
		k, err := ParseKernel(name)
		if err != nil {
			panic(err)
		}
		fmt.Printf("%-9s %5.2f\n", k, k.NewResampler(g).Gray(nil, src).Pix)
	}
	// Output:
	// bilinear  [ 0.00  0.00  0.00  0.50  0.50  0.00  0.00  0.00]
	// bicubic   [ 0.00  0.00 -0.06  0.56  0.56 -0.06  0.00  0.00]
	// lanczos3  [ 0.00  0.02 -0.14  0.61  0.61 -0.14  0.02  0.00]
}
