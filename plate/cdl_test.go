package plate_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"example.com/twinplate/plate"
)

// The formula of the ASC CDL, version 1.2, by hand: out = clamp(in * slope + offset) ^ power.
func TestCDLByHand(t *testing.T) {
	c := plate.CDL{Slope: [3]float64{2, 1, 0.5}, Offset: [3]float64{0.1, -0.2, 0}, Power: [3]float64{2, 1, 0.5}, Saturation: 1}
	for _, row := range []struct {
		in, want [3]float64
		clamp    bool
	}{
		{[3]float64{0.2, 0.5, 0.5}, [3]float64{0.25, 0.3, 0.5}, true},
		{[3]float64{0.6, 0.1, 2.88}, [3]float64{1, 0, 1}, true},
		{[3]float64{0.6, 0.1, 2.88}, [3]float64{1.69, -0.1, 1.2}, false},
	} {
		got := c.Pixel(row.in, row.clamp)
		for i := range got {
			if math.Abs(got[i]-row.want[i]) > 1e-12 {
				t.Errorf("%v: %v, want %v", row.in, got, row.want)
			}
		}
	}
	gray := plate.NewCDL()
	gray.Saturation = 0
	if got := gray.Pixel([3]float64{1, 0, 0}, true); math.Abs(got[0]-0.2126) > 1e-12 || got[0] != got[1] || got[0] != got[2] {
		t.Errorf("red without saturation: %v, want its luma, 0.2126", got)
	}
}

func TestCDLUndo(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	for range 1000 {
		c := plate.NewCDL()
		for i := range 3 {
			c.Slope[i], c.Offset[i], c.Power[i] = 0.5+r.Float64(), 0.2*r.Float64(), 0.5+r.Float64()
		}
		c.Saturation = 0.5 + r.Float64()
		in := [3]float64{r.Float64(), r.Float64(), r.Float64()}
		back := c.Undo(c.Pixel(in, false), false)
		for i := range in {
			if math.Abs(back[i]-in[i]) > 1e-9 {
				t.Fatalf("%+v: %v comes back as %v", c, in, back)
			}
		}
	}
}

func ExampleCDL() {
	c := plate.NewCDL()
	c.Slope[0] = 1.2 // warmer
	c.Saturation = 0.8
	v := c.Pixel([3]float64{0.5, 0.4, 0.3}, true)
	fmt.Printf("%.3f %.3f %.3f\n", v[0], v[1], v[2])
	// Output: 0.567 0.407 0.327
}
