package take_test

import (
	"context"
	"math"
	"path/filepath"
	"strings"
	"testing"

	"example.com/twinplate/composite"
	"example.com/twinplate/plate"
	"example.com/twinplate/take"
)

// The formulas of W3C, Compositing and Blending Level 1, section 9.1, for premultiplied colors cs
// and cb and alphas as and ab: the performer is the source, the background the destination.
var joined = map[string]func(cs, as, cb, ab float64) (co, ao float64){
	"destination-over": func(cs, as, cb, ab float64) (float64, float64) { return cs*(1-ab) + cb, as*(1-ab) + ab },
	"source-in":        func(cs, as, cb, ab float64) (float64, float64) { return cs * ab, as * ab },
	"destination-in":   func(cs, as, cb, ab float64) (float64, float64) { return cb * as, ab * as },
	"source-out":       func(cs, as, cb, ab float64) (float64, float64) { return cs * (1 - ab), as * (1 - ab) },
	"destination-out":  func(cs, as, cb, ab float64) (float64, float64) { return cb * (1 - as), ab * (1 - as) },
	"source-atop":      func(cs, as, cb, ab float64) (float64, float64) { return cs*ab + cb*(1-as), as*ab + ab*(1-as) },
	"destination-atop": func(cs, as, cb, ab float64) (float64, float64) { return cs*(1-ab) + cb*as, as*(1-ab) + ab*as },
	"xor": func(cs, as, cb, ab float64) (float64, float64) {
		return cs*(1-ab) + cb*(1-as), as*(1-ab) + ab*(1-as)
	},
	"lighter": func(cs, as, cb, ab float64) (float64, float64) { return cs + cb, min(1, as+ab) },
}

// A background that leaves the right and the left of the frame open shows what each operator does
// with its alpha, from the files of a take to those of a composite.
func TestOperators(t *testing.T) {
	r := record(t, 5)
	back := plate.NewRGB(takeW/4, takeH/2)
	back.Fill(0.1, 0.3, 0.4)
	r.recipe.Background = filepath.Join(r.dir, "narrow.png")
	write(t, r.recipe.Background, back, &plate.WriteOptions{Curve: plate.SRGB})
	r.recipe.Fit = composite.Fit{Mode: composite.Inside}
	r.recipe.Format, r.recipe.Depth = "exr", 32
	for name, formula := range joined {
		var err error
		recipe := r.recipe
		if recipe.Operator, err = composite.ParseOperator(name); err != nil {
			t.Fatal(err)
		}
		out := t.TempDir()
		report, err := prepare(t, recipe).Run(context.Background(), &take.RunOptions{Out: out, Each: func(x *take.Result) error {
			for i, transmission := range x.Transmission.Pix {
				ab := 0.0
				if col := i % takeW; col >= takeW/4 && col < takeW*3/4 {
					ab = 1
				}
				for c := range x.Comp.Pix {
					co, ao := formula(float64(x.Foreground.Pix[c][i]), 1-float64(transmission), float64(x.Background.Pix[c][i]), ab)
					if got := float64(x.Comp.Pix[c][i]); math.Abs(got-co) > 1e-5 {
						t.Fatalf("%s: pixel %d is %v, want %v", name, i, got, co)
					}
					if got := float64(x.CompAlpha.Pix[i]); math.Abs(got-ao) > 1e-5 {
						t.Fatalf("%s: pixel %d has alpha %v, want %v", name, i, got, ao)
					}
				}
			}
			file, err := plate.ReadRGBA(filepath.Join(out, "comp", "0005.exr"), plate.Linear, nil)
			if err != nil {
				return err
			}
			for i, a := range x.CompAlpha.Pix {
				if file.A[i] != a {
					t.Fatalf("%s: the file has alpha %v at pixel %d, want %v", name, file.A[i], i, a)
				}
			}
			return nil
		}})
		if err != nil || len(report.Failed) > 0 {
			t.Fatalf("%s: %v, %+v", name, err, report)
		}
	}
}

// The default is the hold-out and add, by whatever name.
func TestOverIsTheHoldOut(t *testing.T) {
	r := record(t, 5)
	var comps []*plate.RGB
	for _, op := range []composite.Operator{0, composite.AOverB, composite.AAtopB} { // the background covers the frame
		recipe := r.recipe
		recipe.Operator = op
		_, err := prepare(t, recipe).Run(context.Background(), &take.RunOptions{Each: func(x *take.Result) error {
			comps = append(comps, x.Comp.Clone())
			return nil
		}})
		if err != nil {
			t.Fatal(err)
		}
	}
	for i := range comps[0].Pix {
		for j, v := range comps[0].Pix[i] {
			if comps[1].Pix[i][j] != v || math.Abs(float64(comps[2].Pix[i][j]-v)) > 1e-6 {
				t.Fatalf("pixel %d: %v, %v and %v", j, v, comps[1].Pix[i][j], comps[2].Pix[i][j])
			}
		}
	}
}

func TestOperatorsThatMakeNoSense(t *testing.T) {
	r := record(t, 5)
	for _, row := range []struct {
		op         composite.Operator
		background string
		want       string
	}{
		{composite.Clear, r.recipe.Background, `"clear" leaves nothing`},
		{composite.OnlyA, r.recipe.Background, "write foreground"},
		{composite.OnlyB, r.recipe.Background, "the performer has no part in it"},
		{composite.Plus, "", "no background is given"},
		{composite.Operator(99), r.recipe.Background, "there is no operator 99"},
		{composite.AOutB, r.recipe.Background, "covers the frame"},
		{composite.BOverA, r.recipe.Background, "hides the performer"},
	} {
		recipe := r.recipe
		recipe.Operator, recipe.Background = row.op, row.background
		opened, err := take.Open(recipe)
		if err == nil {
			_, err = opened.Prepare(context.Background())
		}
		if err == nil || !strings.Contains(err.Error(), row.want) {
			t.Errorf("%v: %v, want %q in it", row.op, err, row.want)
		}
	}
}
