package matte

import (
	"encoding/json"
	"math"
	"strings"
	"testing"

	"example.com/twinplate/plate"
)

// matteOf makes a frame from rows of numbers.
func matteOf(rows ...[]float32) *plate.Gray {
	f := plate.NewGray(len(rows[0]), len(rows))
	for y, row := range rows {
		copy(f.Pix[y*f.W:], row)
	}
	return f
}

// pictureOf makes a frame from rows of letters: '#' is 1, '.' is 0, a digit is that many tenths.
func pictureOf(rows ...string) *plate.Gray {
	f := plate.NewGray(len(rows[0]), len(rows))
	for y, row := range rows {
		for x, letter := range row {
			switch letter {
			case '#':
				f.Pix[y*f.W+x] = 1
			case '.':
			default:
				f.Pix[y*f.W+x] = float32(letter-'0') / 10
			}
		}
	}
	return f
}

func closeTo(got, want, tolerance float64) bool { return math.Abs(got-want) <= tolerance }

// The sums and the mean, worked by hand.
func TestCompareSums(t *testing.T) {
	for _, test := range []struct {
		name          string
		truth, result *plate.Gray
		region        *plate.Gray
		sad, mse      float64
	}{
		{"the same", matteOf([]float32{0, 1}, []float32{0.25, 0.5}), matteOf([]float32{0, 1}, []float32{0.25, 0.5}), nil, 0, 0},
		{"one of four off by a half", matteOf([]float32{0, 1}, []float32{1, 0}), matteOf([]float32{0.5, 1}, []float32{1, 0}), nil, 0.5, 0.25 / 4},
		{"off either way adds up", matteOf([]float32{0.5, 0.5}), matteOf([]float32{0.25, 0.75}), nil, 0.5, 0.0625},
		{"below 0 and above 1 count", matteOf([]float32{0, 1}), matteOf([]float32{-0.25, 1.25}), nil, 0.5, 0.0625},
		{"a region leaves the rest out, of the mean too", matteOf([]float32{0, 0, 0}), matteOf([]float32{1, 0.5, 1}), matteOf([]float32{0, 1, 0}), 0.5, 0.25},
		{"a region's value does not matter where above 0", matteOf([]float32{0, 0}), matteOf([]float32{0.5, 1}), matteOf([]float32{0.1, -1}), 0.5, 0.25},
	} {
		t.Run(test.name, func(t *testing.T) {
			got, err := Compare(test.truth, test.result, &CompareOptions{Region: test.region})
			if err != nil {
				t.Fatal(err)
			}
			if !closeTo(got.SAD, test.sad, 1e-7) || !closeTo(got.MSE, test.mse, 1e-7) || !closeTo(got.RMSE, math.Sqrt(test.mse), 1e-7) {
				t.Errorf("SAD %v, MSE %v, RMSE %v; want %v, %v, %v", got.SAD, got.MSE, got.RMSE, test.sad, test.mse, math.Sqrt(test.mse))
			}
			swapped, err := Compare(test.result, test.truth, &CompareOptions{Region: test.region})
			if err != nil {
				t.Fatal(err)
			}
			if swapped != got {
				t.Errorf("the mattes swapped give %+v, not %+v", swapped, got)
			}
			if test.sad == 0 && got != (Errors{}) {
				t.Errorf("equal mattes give %+v", got)
			}
		})
	}
}

// An upright step edge one pixel from where it should be. The response to a step is the filter's running sum,
// so the responses of the two differ by the filter itself, and its sum of squares is 1: each row costs the
// square of the smoothing filter's sum, which for a Gaussian is (sqrt(2 pi) s)^2 / (sqrt(pi) s) =
// 2 sqrt(pi) s. Cutting the Gaussian off below 0.01 takes less than 3 % away.
func TestCompareGradientOfShiftedEdge(t *testing.T) {
	const w, h = 40, 7
	edge := func(at int) *plate.Gray {
		f := plate.NewGray(w, h)
		for i := range f.Pix {
			if i%w >= at {
				f.Pix[i] = 1
			}
		}
		return f
	}
	for _, sigma := range []float64{0, 1, 1.4, 3} {
		got, err := Compare(edge(20), edge(21), &CompareOptions{Sigma: sigma})
		if err != nil {
			t.Fatal(err)
		}
		if sigma == 0 {
			sigma = 1.4
		}
		want := h * 2 * math.Sqrt(math.Pi) * sigma
		if !closeTo(got.Gradient, want, 0.03*want) {
			t.Errorf("sigma %v: gradient error %v, want %v", sigma, got.Gradient, want)
		}
		if got.SAD != h {
			t.Errorf("sigma %v: SAD %v, want %v", sigma, got.SAD, h)
		}
	}
	// Turned on its side the same edge costs the same, and so does a transmission in place of an alpha.
	a, b := edge(20), edge(21)
	upright, err := Compare(a, b, nil)
	if err != nil {
		t.Fatal(err)
	}
	for name, turn := range map[string]func(*plate.Gray) *plate.Gray{
		"on its side": func(f *plate.Gray) *plate.Gray {
			g := plate.NewGray(f.H, f.W)
			for i, v := range f.Pix {
				g.Pix[i%f.W*g.W+i/f.W] = v
			}
			return g
		},
		"as a transmission": func(f *plate.Gray) *plate.Gray {
			g := f.Clone()
			for i, v := range g.Pix {
				g.Pix[i] = 1 - v
			}
			return g
		},
	} {
		got, err := Compare(turn(a), turn(b), nil)
		if err != nil {
			t.Fatal(err)
		}
		if !closeTo(got.Gradient, upright.Gradient, 1e-4) {
			t.Errorf("%s: gradient error %v, want %v", name, got.Gradient, upright.Gradient)
		}
	}
}

// Connectivity, worked by hand from Compare's definition.
func TestCompareConnectivity(t *testing.T) {
	for _, test := range []struct {
		name          string
		truth, result *plate.Gray
		opt           CompareOptions
		want          float64
	}{
		{"nothing but a veil below theta", pictureOf("...."), pictureOf("1111"), CompareOptions{}, 0},
		{"a veil above theta", pictureOf("...."), pictureOf("2222"), CompareOptions{}, 0.8},
		{"a veil on theta counts", matteOf([]float32{0}), matteOf([]float32{0.15}), CompareOptions{}, 0.15},
		{"a smaller theta catches the thin veil", pictureOf("...."), pictureOf("1111"), CompareOptions{Theta: 0.05}, 0.4},
		{"a detached speck of 0.8 costs 0.8 a pixel",
			pictureOf("##....", "##....", "##...."),
			pictureOf("##..8.", "##..8.", "##...."), CompareOptions{}, 1.6},
		{"a speck in both costs nothing",
			pictureOf("##..8.", "##..8.", "##...."),
			pictureOf("##..8.", "##..8.", "##...."), CompareOptions{}, 0},
		{"a speck at a corner is detached: 4-connected",
			pictureOf("##.", "##.", "..."),
			pictureOf("##.", "##.", "..8"), CompareOptions{}, 0.8},
		{"the gap that cuts a strand costs its alpha; the strand beyond is right in both",
			pictureOf("##......", "########", "##......"),
			pictureOf("##......", "####.###", "##......"), CompareOptions{}, 1},
		// The strand is 0.8 in the truth and 0.6 here: connected up to 0.6 in both, so d is 0.2 in the truth.
		{"a strand too thin by 0.2 is above theta", pictureOf("###8888"), pictureOf("###6666"), CompareOptions{}, 0.8},
		{"a strand too thin by 0.1 is below theta", pictureOf("###8888"), pictureOf("###7777"), CompareOptions{}, 0},
		// With levels 0, 0.5 and 1 the strand of 0.7 is connected only up to 0.5, 0.2 below it: phi is 0.8,
		// and that of 0.9 is 0.6.
		{"coarse levels", pictureOf("###9999"), pictureOf("###7777"), CompareOptions{Step: 0.5}, 0.8},
		{"the region is what is summed, not what is connected",
			pictureOf("##....", "##....", "##...."),
			pictureOf("##..8.", "##..8.", "##...."),
			CompareOptions{Region: pictureOf("######", "......", "......")}, 0.8},
	} {
		t.Run(test.name, func(t *testing.T) {
			got, err := Compare(test.truth, test.result, &test.opt)
			if err != nil {
				t.Fatal(err)
			}
			if !closeTo(got.Connectivity, test.want, 1e-6) {
				t.Errorf("connectivity error %v, want %v", got.Connectivity, test.want)
			}
		})
	}
}

func TestCompareErrors(t *testing.T) {
	nan := float32(math.NaN())
	one := plate.NewGray(1, 1)
	for _, test := range []struct {
		name          string
		truth, result *plate.Gray
		opt           *CompareOptions
		want          string
	}{
		{"another size", plate.NewGray(3, 2), plate.NewGray(2, 3), nil, "the result is 2x3 pixels and the true matte 3x2"},
		{"a region of another size", one, one, &CompareOptions{Region: plate.NewGray(1, 2)}, "the region is 1x2 pixels and the true matte 1x1"},
		{"no pixels", plate.NewGray(0, 2), plate.NewGray(0, 2), nil, "hold no pixels"},
		{"an empty region", one, one, &CompareOptions{Region: plate.NewGray(1, 1)}, "the region is 0 everywhere"},
		{"NaN in the truth", matteOf([]float32{0, nan}), plate.NewGray(2, 1), nil, "the true matte's value at pixel (1, 0) is NaN"},
		{"infinity in the result", plate.NewGray(1, 1), matteOf([]float32{float32(math.Inf(1))}), nil, "the result's value at pixel (0, 0) is +Inf"},
		{"sigma", one, one, &CompareOptions{Sigma: -1}, "sigma is -1, and must be 0.1 to 100"},
		{"theta", one, one, &CompareOptions{Theta: 2}, "theta is 2, and must be"},
		{"step", one, one, &CompareOptions{Step: math.NaN()}, "step is NaN, and must be 0.001 to 1"},
	} {
		t.Run(test.name, func(t *testing.T) {
			_, err := Compare(test.truth, test.result, test.opt)
			if err == nil || !strings.Contains(err.Error(), test.want) {
				t.Errorf("error %v, want one that says %q", err, test.want)
			}
		})
	}
}

func TestErrorsJSON(t *testing.T) {
	got, err := json.Marshal(Errors{1, 2, 3, 4, 5})
	if err != nil {
		t.Fatal(err)
	}
	if want := `{"sad":1,"mse":2,"rmse":3,"gradient":4,"connectivity":5}`; string(got) != want {
		t.Errorf("%s, want %s", got, want)
	}
}

func BenchmarkCompareHD(b *testing.B) {
	truth, result := plate.NewGray(1920, 1080), plate.NewGray(1920, 1080)
	for i := range truth.Pix {
		x, y := float64(i%1920-960), float64(i/1920-540)
		truth.Pix[i] = float32(min(max((400-math.Hypot(x, y))/40, 0), 1))
		result.Pix[i] = float32(min(max((402-math.Hypot(x, y))/40, 0), 1))
	}
	for b.Loop() {
		if _, err := Compare(truth, result, nil); err != nil {
			b.Fatal(err)
		}
	}
}
