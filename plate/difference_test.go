package plate_test

import (
	"fmt"
	"image"
	"math"
	"testing"

	"example.com/twinplate/plate"
)

// The test pairs of Sharma, Wu and Dalal, "The CIEDE2000 Color-Difference Formula: Implementation
// Notes, Supplementary Test Data, and Mathematical Observations", Color Research and Application 30
// (1), 2005, table 1: as remembered (not checked against the source; TestDeltaEOutside computes
// them by scikit-image too).
var sharma = []struct {
	a, b [3]float64
	want float64
}{
	{[3]float64{50, 2.6772, -79.7751}, [3]float64{50, 0, -82.7485}, 2.0425},
	{[3]float64{50, 3.1571, -77.2803}, [3]float64{50, 0, -82.7485}, 2.8615},
	{[3]float64{50, 2.8361, -74.0200}, [3]float64{50, 0, -82.7485}, 3.4412},
	{[3]float64{50, -1.3802, -84.2814}, [3]float64{50, 0, -82.7485}, 1.0000},
	{[3]float64{50, -1.1848, -84.8006}, [3]float64{50, 0, -82.7485}, 1.0000},
	{[3]float64{50, -0.9009, -85.5211}, [3]float64{50, 0, -82.7485}, 1.0000},
	{[3]float64{50, 0, 0}, [3]float64{50, -1, 2}, 2.3669},
	{[3]float64{50, -1, 2}, [3]float64{50, 0, 0}, 2.3669},
	{[3]float64{50, 2.4900, -0.0010}, [3]float64{50, -2.4900, 0.0009}, 7.1792},
	{[3]float64{50, 2.4900, -0.0010}, [3]float64{50, -2.4900, 0.0010}, 7.1792},
	{[3]float64{50, 2.4900, -0.0010}, [3]float64{50, -2.4900, 0.0011}, 7.2195},
	{[3]float64{50, 2.4900, -0.0010}, [3]float64{50, -2.4900, 0.0012}, 7.2195},
	{[3]float64{50, -0.0010, 2.4900}, [3]float64{50, 0.0009, -2.4900}, 4.8045},
	{[3]float64{50, -0.0010, 2.4900}, [3]float64{50, 0.0010, -2.4900}, 4.8045},
	{[3]float64{50, -0.0010, 2.4900}, [3]float64{50, 0.0011, -2.4900}, 4.7461},
	{[3]float64{50, 2.5, 0}, [3]float64{50, 0, -2.5}, 4.3065},
	{[3]float64{50, 2.5, 0}, [3]float64{73, 25, -18}, 27.1492},
	{[3]float64{50, 2.5, 0}, [3]float64{61, -5, 29}, 22.8977},
	{[3]float64{50, 2.5, 0}, [3]float64{56, -27, -3}, 31.9030},
	{[3]float64{50, 2.5, 0}, [3]float64{58, 24, 15}, 19.4535},
	{[3]float64{50, 2.5, 0}, [3]float64{50, 3.1736, 0.5854}, 1.0000},
	{[3]float64{50, 2.5, 0}, [3]float64{50, 3.2972, 0}, 1.0000},
	{[3]float64{50, 2.5, 0}, [3]float64{50, 1.8634, 0.5757}, 1.0000},
	{[3]float64{50, 2.5, 0}, [3]float64{50, 3.2592, 0.3350}, 1.0000},
	{[3]float64{60.2574, -34.0099, 36.2677}, [3]float64{60.4626, -34.1751, 39.4387}, 1.2644},
	{[3]float64{63.0109, -31.0961, -5.8663}, [3]float64{62.8187, -29.7946, -4.0864}, 1.2630},
	{[3]float64{61.2901, 3.7196, -5.3901}, [3]float64{61.4292, 2.2480, -4.9620}, 1.8731},
	{[3]float64{35.0831, -44.1164, 3.7933}, [3]float64{35.0232, -40.0716, 1.5901}, 1.8645},
	{[3]float64{22.7233, 20.0904, -46.6940}, [3]float64{23.0331, 14.9730, -42.5619}, 2.0373},
	{[3]float64{36.4612, 47.8580, 18.3852}, [3]float64{36.2715, 50.5065, 21.2231}, 1.4146},
	{[3]float64{90.8027, -2.0831, 1.4410}, [3]float64{91.1528, -1.6435, 0.0447}, 1.4441},
	{[3]float64{90.9257, -0.5406, -0.9208}, [3]float64{88.6381, -0.8985, -0.7239}, 1.5381},
	{[3]float64{6.7747, -0.2908, -2.4247}, [3]float64{5.8714, -0.0985, -2.2286}, 0.6377},
	{[3]float64{2.0776, 0.0795, -1.1350}, [3]float64{0.9033, -0.0636, -0.5514}, 0.9082},
}

func TestDeltaE(t *testing.T) {
	for i, row := range sharma {
		if got := plate.DeltaE(row.a, row.b); math.Abs(got-row.want) > 0.5e-4 {
			t.Errorf("pair %d: %.4f, want %.4f", i+1, got, row.want)
		}
	}
}

// IEC 61966-2-1's white is L* 100, and a gray has no color; L* of 18.4187 % is 50, by the formula
// of ISO/CIE 11664-4.
func TestLab(t *testing.T) {
	for v, want := range map[float64]float64{1: 100, 0.18418651851244416: 50, 0: 0} {
		got := plate.PrimariesBT709.Lab([3]float64{v, v, v})
		if math.Abs(got[0]-want) > 1e-9 || math.Hypot(got[1], got[2]) > 1e-9 {
			t.Errorf("gray of %v: %v, want an L* of %v", v, got, want)
		}
	}
}

func ExampleDeltaE() {
	p := plate.PrimariesBT709
	fmt.Printf("%.1f\n", plate.DeltaE(p.Lab([3]float64{0.5, 0.4, 0.3}), p.Lab([3]float64{0.52, 0.4, 0.3})))
	// Output: 1.5
}

// A filter that takes a part of red and mixes the rest is undone.
func ExampleFitMatrix() {
	without := [][3]float64{{0.8, 0.8, 0.8}, {0.5, 0.1, 0.1}, {0.1, 0.4, 0.1}, {0.1, 0.1, 0.6}}
	with := make([][3]float64, len(without))
	for i, c := range without {
		with[i] = [3]float64{0.6*c[0] + 0.05*c[1], 0.8 * c[1], 0.9 * c[2]}
	}
	m, err := plate.FitMatrix(with, without, plate.PrimariesBT709)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.3f\n", m.Matrix[:3])
	fmt.Printf("before %.1f, after %.1f\n", m.Before.Mean, m.After.Mean)
	// Output:
	// [1.667 -0.104 -0.000]
	// before 4.3, after 0.0
}

func TestFitMatrixRefuses(t *testing.T) {
	gray := [][3]float64{{0.1, 0.1, 0.1}, {0.2, 0.2, 0.2}, {0.4, 0.4, 0.4}}
	nan := [][3]float64{{math.NaN(), 0, 0}, {0, 1, 0}, {0, 0, 1}}
	for _, row := range []struct {
		from, to [][3]float64
	}{{gray, gray}, {gray[:2], gray[:2]}, {gray, gray[:2]}, {nan, nan}} {
		if m, err := plate.FitMatrix(row.from, row.to, plate.Primaries{}); err == nil {
			t.Errorf("%v: got %v, want an error", row.from, m)
		}
	}
}

// A chart in perspective gives the colors of its patches.
func TestPatches(t *testing.T) {
	const columns, rows = 6, 4
	corners := [4][2]float64{{30, 20}, {290, 40}, {270, 200}, {50, 190}}
	f := plate.NewRGB(320, 240)
	// Drawn by the lines between the corners' sides: through the vanishing points they cross where a
	// camera sees them.
	color := func(i, j int) [3]float64 {
		return [3]float64{float64(i+1) / 10, float64(j+1) / 10, float64(i*j+1) / 20}
	}
	inverse := homographyToUnit(corners)
	for y := range f.H {
		for x := range f.W {
			u, v := inverse(float64(x)+0.5, float64(y)+0.5)
			if u >= 0 && v >= 0 && u < 1 && v < 1 {
				c := color(int(u*columns), int(v*rows))
				for k := range 3 {
					f.Pix[k][y*f.W+x] = float32(c[k])
				}
			}
		}
	}
	got, err := f.Patches(corners, columns, rows)
	if err != nil {
		t.Fatal(err)
	}
	for i, c := range got {
		want := color(i%columns, i/columns)
		for k := range 3 {
			if math.Abs(c[k]-want[k]) > 1e-6 {
				t.Fatalf("patch %d is %v, want %v", i, c, want)
			}
		}
	}
	for _, row := range []struct {
		corners       [4][2]float64
		columns, rows int
	}{{corners, 0, 4}, {corners, 90, 4}, {[4][2]float64{{-90, 20}, {290, 40}, {270, 200}, {50, 190}}, 6, 4}, {[4][2]float64{}, 6, 4}} {
		if _, err := f.Patches(row.corners, row.columns, row.rows); err == nil {
			t.Errorf("%v: no error", row)
		}
	}
}

// homographyToUnit returns the map from a quadrilateral to the unit square, by the eight equations
// of Hartley and Zisserman 2004, section 4.1, solved by elimination.
func homographyToUnit(p [4][2]float64) func(x, y float64) (u, v float64) {
	to := [4][2]float64{{0, 0}, {1, 0}, {1, 1}, {0, 1}}
	var a [8][9]float64
	for i := range 4 {
		x, y, u, v := p[i][0], p[i][1], to[i][0], to[i][1]
		a[2*i] = [9]float64{x, y, 1, 0, 0, 0, -u * x, -u * y, u}
		a[2*i+1] = [9]float64{0, 0, 0, x, y, 1, -v * x, -v * y, v}
	}
	for c := range 8 {
		best := c
		for r := c; r < 8; r++ {
			if math.Abs(a[r][c]) > math.Abs(a[best][c]) {
				best = r
			}
		}
		a[c], a[best] = a[best], a[c]
		for r := range 8 {
			if r != c {
				k := a[r][c] / a[c][c]
				for i := range 9 {
					a[r][i] -= k * a[c][i]
				}
			}
		}
	}
	h := func(i int) float64 { return a[i][8] / a[i][i] }
	return func(x, y float64) (u, v float64) {
		w := h(6)*x + h(7)*y + 1
		return (h(0)*x + h(1)*y + h(2)) / w, (h(3)*x + h(4)*y + h(5)) / w
	}
}

// A chart of two patches that fills the frame.
func ExampleRGB_Patches() {
	f := plate.NewRGB(64, 32)
	for i := range f.Pix[0] {
		if i%64 >= 32 {
			f.Pix[0][i] = 0.5
		}
	}
	colors, err := f.Patches([4][2]float64{{0, 0}, {64, 0}, {64, 32}, {0, 32}}, 2, 1)
	fmt.Printf("%.2f %v\n", colors, err)
	// Output: [[0.00 0.00 0.00] [0.50 0.00 0.00]] <nil>
}

// The patches of a picture that its tags say the curve of.
func ExamplePicture_Patches() {
	f := plate.NewRGB(64, 32)
	f.Fill(0.18, 0.18, 0.18)
	p := plate.DecodedPicture("chart.png", plate.Info{W: 64, H: 32, Format: "PNG", Depth: 16, Color: true, Curve: "linear"}, func() (image.Image, error) { return f, nil })
	colors, err := p.Patches(nil, [4][2]float64{{0, 0}, {64, 0}, {64, 32}, {0, 32}}, 2, 1)
	fmt.Printf("%.2f %v\n", colors, err)
	// Output: [[0.18 0.18 0.18] [0.18 0.18 0.18]] <nil>
}
