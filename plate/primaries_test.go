package plate_test

import (
	"fmt"
	"math"
	"testing"

	"example.com/twinplate/plate"
)

func ExamplePrimaries_To() {
	f := plate.NewRGB(1, 1)
	f.Fill(1, 0.5, 0)
	f.Multiply(plate.PrimariesBT709.To(plate.PrimariesBT2020))
	fmt.Printf("%.3f %.3f %.3f\n", f.Pix[0][0], f.Pix[1][0], f.Pix[2][0])
	// Output: 0.792 0.529 0.060
}

func TestPrimariesXYZ(t *testing.T) {
	for _, row := range []struct {
		what   string
		from   plate.Primaries
		want   [9]float64
		within float64
	}{
		// IEC 61966-2-1 prints four digits.
		{"sRGB", plate.PrimariesBT709, [9]float64{0.4124, 0.3576, 0.1805, 0.2126, 0.7152, 0.0722, 0.0193, 0.1192, 0.9505}, 6e-5},
		// Academy specification S-2014-004, ten digits.
		{"AP1", plate.PrimariesAP1, [9]float64{0.6624541811, 0.1340042065, 0.1561876870, 0.2722287168, 0.6740817658, 0.0536895174, -0.0055746495, 0.0040607335, 1.0103391003}, 1e-10},
	} {
		for i, v := range row.from.XYZ() {
			if math.Abs(v-row.want[i]) > row.within {
				t.Errorf("%s: element %d is %.10f, want %.10f", row.what, i, v, row.want[i])
			}
		}
	}
}

func TestPrimariesTo(t *testing.T) {
	for _, row := range []struct {
		what     string
		from, to plate.Primaries
		want     [9]float64
		within   float64
	}{
		// ITU-R BT.2087, four digits.
		{"BT.709 to BT.2020", plate.PrimariesBT709, plate.PrimariesBT2020, [9]float64{0.6274, 0.3293, 0.0433, 0.0691, 0.9195, 0.0114, 0.0164, 0.0880, 0.8956}, 6e-5},
		// ITU-R BT.2407, four digits.
		{"BT.2020 to BT.709", plate.PrimariesBT2020, plate.PrimariesBT709, [9]float64{1.6605, -0.5876, -0.0728, -0.1246, 1.1329, -0.0083, -0.0182, -0.1006, 1.1187}, 6e-5},
		// As widely printed; not checked against the source.
		{"P3 to BT.709", plate.PrimariesP3D65, plate.PrimariesBT709, [9]float64{1.2249, -0.2249, 0, -0.0420, 1.0420, 0, -0.0196, -0.0786, 1.0983}, 1e-4},
		// With Bradford, as ACES's transforms to BT.709 have it, as widely printed; not checked
		// against the source.
		{"AP1 to BT.709", plate.PrimariesAP1, plate.PrimariesBT709, [9]float64{1.70505, -0.62179, -0.08326, -0.13026, 1.14080, -0.01055, -0.02400, -0.12897, 1.15297}, 2e-5},
		{"to itself", plate.PrimariesAP1, plate.PrimariesAP1, [9]float64{1, 0, 0, 0, 1, 0, 0, 0, 1}, 0},
	} {
		m := row.from.To(row.to)
		for i, v := range m {
			if math.Abs(float64(v)-row.want[i]) > row.within {
				t.Errorf("%s: element %d is %.6f, want %.6f", row.what, i, v, row.want[i])
			}
		}
		// White stays white, and there and back is where it was.
		back := row.to.To(row.from)
		f := plate.NewRGB(200, 200)
		f.Fill(1, 1, 1)
		f.Pix[0][7], f.Pix[1][7], f.Pix[2][7] = 0.2, -0.1, 3
		f.Multiply(m)
		if math.Abs(float64(f.Pix[0][0]-1))+math.Abs(float64(f.Pix[1][0]-1))+math.Abs(float64(f.Pix[2][0]-1)) > 1e-6 {
			t.Errorf("%s: white becomes %v %v %v", row.what, f.Pix[0][0], f.Pix[1][0], f.Pix[2][0])
		}
		f.Multiply(back)
		if math.Abs(float64(f.Pix[0][7])-0.2)+math.Abs(float64(f.Pix[1][7])+0.1)+math.Abs(float64(f.Pix[2][7])-3) > 1e-5 {
			t.Errorf("%s and back: %v %v %v", row.what, f.Pix[0][7], f.Pix[1][7], f.Pix[2][7])
		}
	}
}

func TestPrimariesNames(t *testing.T) {
	for name, want := range map[string]plate.Primaries{"bt709": plate.PrimariesBT709, " BT2020": plate.PrimariesBT2020, "P3-D65": plate.PrimariesP3D65, "ap1": plate.PrimariesAP1} {
		if got, err := plate.PrimariesByName(name); err != nil || got != want {
			t.Errorf("%q: %v, %v", name, got, err)
		}
	}
	if _, err := plate.PrimariesByName("p3"); err == nil || err.Error() != `unknown primaries "p3"; known: bt709, bt2020, p3-d65, ap1, awg3, awg4, sgamut3, sgamut3cine, vgamut, cgamut, rwg, bwg5, dgamut` {
		t.Errorf("%v", err)
	}
	rounded := plate.PrimariesBT2020
	rounded.Green[1] = 0.7969
	if rounded.Name() != "bt2020" || rounded.String() != "bt2020" || (plate.Primaries{}).String() != "not known" {
		t.Errorf("%v, %v", rounded, plate.Primaries{})
	}
	rounded.Green[1] = 0.7
	if want := "red 0.708 0.292, green 0.17 0.7, blue 0.131 0.046, white 0.3127 0.329"; rounded.Name() != "" || rounded.String() != want {
		t.Errorf("%v, want %s", rounded, want)
	}
}
