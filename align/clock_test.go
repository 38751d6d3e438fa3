package align

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"example.com/twinplate/internal/parallel"
	"example.com/twinplate/internal/test/tier"
	"example.com/twinplate/plate"
	"example.com/twinplate/rig/simulate"
)

// clocks simulates a take of n frames, in parts of a frame: the band camera is late by late parts.
func clocks(s simulate.Scene, g Geometry, f simulate.Faults, seed uint64, n, step, late int) *Clocks {
	f.FrameOffset = late
	sim := simulate.New(s, g.ColorW, g.ColorH, g.BandW, g.BandH, g, f, seed)
	var c Clocks
	shots := make([]simulate.Shot, n)
	parallel.Parts(n, func(from, to int) {
		for i := from; i < to; i++ {
			shots[i] = sim.Frame(i * step)
		}
	})
	for _, s := range shots {
		if err := errors.Join(c.AddColor(s.Color), c.AddBand(s.Band)); err != nil {
			panic(err)
		}
	}
	return &c
}

func TestClocks(t *testing.T) {
	for i, row := range []struct {
		name   string
		scene  simulate.Scene
		faults simulate.Faults
		n      int
		late   int // in steps
		steps  int // to a frame
	}{
		{"three frames late", simulate.Cutouts{Seed: 2}, hardFaults, 40, 3, 1},
		{"a frame early", simulate.Cutouts{Seed: 3}, hardFaults, 40, -1, 1},
		{"a second and a half early", simulate.Cutouts{Seed: 5}, hardFaults, 60, -37, 1},
		{"the pier, two frames late", simulate.Pier{Seed: 1}, simulate.DemoFaults(), 40, 2, 1},
		{"half a frame late", simulate.Cutouts{Seed: 6}, hardFaults, 40, 1, 2},
	} {
		if i > 0 && tier.Quick() || i%2 == 1 && !tier.All() {
			continue // for the time that it takes
		}
		g := randomRig(rand.New(rand.NewPCG(uint64(i), 30)), 128, 72, 128, 72, Radial)
		e, err := clocks(row.scene, g, row.faults, uint64(i), row.n, row.steps, row.late).Offset(t.Context(), 48)
		if err != nil {
			t.Errorf("%s: %v", row.name, err)
			continue
		}
		t.Logf("%s: %+v", row.name, *e)
		want := float64(row.late) / float64(row.steps)
		if got := float64(e.Frames) + e.Fraction; math.Abs(got-want) > max(0.1, 3*e.Sigma) || e.Sigma > 0.15 || e.Mirror != g.Mirror {
			t.Errorf("%s: %+v; want %v frames, mirror %v", row.name, *e, want, g.Mirror)
		}
		if step := row.steps == 1; e.InStep != step || step && e.Frames != row.late {
			t.Errorf("%s: %+v; want %v frames", row.name, *e, want)
		}
	}
}

// A recording without motion in common gives an error, and not an offset.
func TestClocksFail(t *testing.T) {
	still := func(n int) *Clocks {
		var c Clocks
		r := rand.New(rand.NewPCG(1, 1))
		for range n {
			color, band := plate.NewRGB(64, 36), plate.NewGray(64, 36)
			for i := range band.Pix {
				color.Pix[0][i], band.Pix[i] = float32(0.3+0.01*r.NormFloat64()), float32(0.8+0.01*r.NormFloat64())
			}
			if err := errors.Join(c.AddColor(color), c.AddBand(band)); err != nil {
				t.Fatal(err)
			}
		}
		return &c
	}
	if e, err := still(40).Offset(t.Context(), 10); !errors.Is(err, ErrNoMotion) {
		t.Errorf("nothing but noise: %+v, %v", e, err)
	}
	if _, err := still(5).Offset(t.Context(), 10); err == nil || errors.Is(err, ErrNoMotion) {
		t.Errorf("five frames: %v", err)
	}
	c := still(1)
	if err := c.AddColor(plate.NewRGB(65, 36)); err == nil {
		t.Error("a frame of another size: no error")
	}
	if err := c.AddBand(plate.NewGray(8, 8)); err == nil {
		t.Error("a frame of 8x8 pixels: no error")
	}
	if _, err := still(12).Offset(t.Context(), -1); err == nil {
		t.Error("a negative reach: no error")
	}
	stopped, stop := context.WithCancel(t.Context())
	stop()
	if _, err := still(12).Offset(stopped, 10); !errors.Is(err, context.Canceled) {
		t.Errorf("stopped: %v", err)
	}
}

func ExampleFrameOffset() {
	// A bright disc moves to and fro, with no steady rhythm; the band camera was started four
	// frames late.
	at := func(t float64) (x, y float64) {
		return 32 + 20*math.Sin(0.3*t) + 5*math.Sin(0.71*t), 18 + 10*math.Sin(0.173*t)
	}
	var color []*plate.RGB
	var band []*plate.Gray
	for i := range 60 {
		c, b := plate.NewRGB(64, 36), plate.NewGray(64, 36)
		cx, cy := at(float64(i))
		bx, by := at(float64(i + 4))
		for k := range b.Pix {
			x, y := float64(k%64), float64(k/64)
			cover := func(d float64) float32 { return float32(min(max(6.5-d, 0), 1)) }
			c.Pix[1][k] = 0.5 * cover(math.Hypot(x-cx, y-cy))
			b.Pix[k] = 0.8 * (1 - cover(math.Hypot(x-bx, y-by)))
		}
		color, band = append(color, c), append(band, b)
	}
	e, err := FrameOffset(context.Background(), color, band, 24)
	if err != nil {
		panic(err)
	}
	fmt.Println(e.Frames, "frames late; in step:", e.InStep)
	// Output: 4 frames late; in step: true
}
