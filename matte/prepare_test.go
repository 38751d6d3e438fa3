package matte_test

import (
	"errors"
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"

	"example.com/twinplate/matte"
	"example.com/twinplate/plate"
	"example.com/twinplate/rig/simulate"
)

// samplesOf returns frames of a drawn take whose cameras are in line, and all its reference plates.
func samplesOf(f simulate.Faults, w, h, n int) ([]matte.Sample, matte.References) {
	set := simulate.New(simulate.Cutouts{Seed: 2}, w, h, w, h, nil, f, 1)
	var samples []matte.Sample
	for i := range n {
		shot := set.Frame(10 * i)
		samples = append(samples, matte.Sample{Color: shot.Color, Band: shot.Band})
	}
	return samples, matte.References{DarkColor: set.DarkColor(), DarkBand: set.DarkBand(), CleanColor: set.CleanColor(), CleanBand: set.CleanBand()}
}

// Whatever plates there are, the crosstalk and K are the take's, within five standard errors, and
// the notes name each plate that was not shot.
func TestPrepareFinds(t *testing.T) {
	faults := simulate.DemoFaults()
	faults.ScreenLevel = 0.8
	samples, all := samplesOf(faults, 480, 270, 4)
	none := matte.References{}
	noColor := all
	noColor.CleanColor = nil
	for _, c := range []struct {
		name  string
		ref   matte.References
		notes []string
	}{
		{"all plates", all, nil},
		{"no clean color plate", noColor, []string{"no clean color plate"}},
		{"no plates", none, []string{"no clean band plate", "no clean color plate"}},
	} {
		p, err := matte.Prepare(samples, c.ref, nil)
		if err != nil {
			t.Fatalf("%s: %v", c.name, err)
		}
		for k, m := range p.Crosstalk {
			if d := math.Abs(m - faults.Crosstalk[k]); !(p.CrosstalkSigma[k] > 0 && d < 5*p.CrosstalkSigma[k]) {
				t.Errorf("%s: m is %.4f, standard errors %.4f, truth %.4f", c.name, p.Crosstalk, p.CrosstalkSigma, faults.Crosstalk)
			}
		}
		if (p.ScreenColor == nil) != (c.ref.CleanColor != nil) || (p.Screen == nil) != (c.ref.CleanBand != nil) {
			t.Errorf("%s: the screen's color is %+v, and its model %+v", c.name, p.ScreenColor, p.Screen)
		}
		// Without a dark color plate, the color camera's level of black is in K.
		if k := p.ScreenColor; k != nil && c.ref.DarkColor != nil {
			for ch := range 3 {
				if d := math.Abs(k.Ratio[ch] - faults.ScreenColor[ch]/faults.ScreenLevel); d > 5*k.Sigma[ch] {
					t.Errorf("%s: K over S is %.4f, standard errors %.4f, truth %.4f / %.4f", c.name, k.Ratio, k.Sigma, faults.ScreenColor, faults.ScreenLevel)
				}
			}
		}
		for _, want := range c.notes {
			if !strings.Contains(strings.Join(p.Notes, "\n"), want) {
				t.Errorf("%s: the notes are %q", c.name, p.Notes)
			}
		}
		if len(c.notes) == 0 && len(p.Notes) > 0 {
			t.Errorf("%s: the notes are %q", c.name, p.Notes)
		}
		// The solver is that of the plates and of m, and nothing else.
		same, err := matte.NewSolver(480, 270, p.References, &matte.SolverOptions{Crosstalk: p.Crosstalk})
		if err != nil {
			t.Fatal(err)
		}
		if !reflect.DeepEqual(p.Solver, same) {
			t.Errorf("%s: the solver is not that of the references and the crosstalk", c.name)
		}
	}
}

// What was found once is not found again: nothing is read, and the solver is the same.
func TestPrepareReadsNoMoreThanItMust(t *testing.T) {
	samples, all := samplesOf(simulate.DemoFaults(), 320, 180, 3)
	dark := matte.References{DarkBand: all.DarkBand}
	for _, c := range []struct {
		name  string
		ref   matte.References
		asked []int
	}{
		{"all plates", all, []int{4}},
		{"no clean plates", dark, []int{12}},
	} {
		var asked []int
		opt := &matte.PrepareOptions{CleanFrom: matte.CleanSmooth, Read: func(n int) ([]matte.Sample, error) {
			asked = append(asked, n)
			return samples, nil
		}}
		first, err := matte.Prepare(nil, c.ref, opt)
		if err != nil {
			t.Fatal(err)
		}
		if !slices.Equal(asked, c.asked) {
			t.Errorf("%s: asked for %v frames, want %v", c.name, asked, c.asked)
		}
		opt.Screen, opt.ScreenColor, opt.Crosstalk = first.Screen, first.ScreenColor, &first.Crosstalk
		asked = nil
		again, err := matte.Prepare(nil, c.ref, opt)
		if err != nil {
			t.Fatal(err)
		}
		if asked != nil {
			t.Errorf("%s: asked for %v frames where all is given", c.name, asked)
		}
		if !reflect.DeepEqual(again.Solver, first.Solver) {
			t.Errorf("%s: what was found gives another solver", c.name)
		}
	}
}

// The glare is taken off copies of the samples, and is the lens's.
func TestPrepareLeavesTheSamples(t *testing.T) {
	faults := simulate.DemoFaults()
	faults.Glare = 0.04
	samples, all := samplesOf(faults, 480, 270, 3)
	before := samples[0].Band.Clone()
	p, err := matte.Prepare(samples, all, &matte.PrepareOptions{EstimateGlare: true})
	if err != nil {
		t.Fatal(err)
	}
	if d := math.Abs(p.Glare.Strength - faults.Glare); !(d < 0.004) {
		t.Errorf("glare %.4f, standard error %.4f, truth %.4f", p.Glare.Strength, p.Glare.Sigma, faults.Glare)
	}
	if !slices.Equal(samples[0].Band.Pix, before.Pix) {
		t.Error("a sample's band plate has changed")
	}
}

// Nobody is to be seen: the crosstalk is taken as none, and a warning says so.
func TestPrepareWithoutACore(t *testing.T) {
	clean, color := plate.NewGray(96, 54), plate.NewRGB(96, 54)
	clean.Fill(0.8)
	p, err := matte.Prepare([]matte.Sample{{Color: color, Band: clean}}, matte.References{CleanBand: clean}, nil)
	if err != nil {
		t.Fatal(err)
	}
	if !p.CrosstalkUnknown || p.Crosstalk != [3]float64{} || len(p.Warnings) != 1 {
		t.Errorf("crosstalk %v, unknown %v, warnings %q", p.Crosstalk, p.CrosstalkUnknown, p.Warnings)
	}
}

func TestPrepareRefuses(t *testing.T) {
	samples, all := samplesOf(simulate.DemoFaults(), 96, 54, 1)
	black, small, odd := plate.NewGray(96, 54), plate.NewGray(48, 27), plate.NewRGB(96, 54)
	odd.Pix[1][7] = float32(math.NaN())
	unread := errors.New("0007.png: no such file")
	for _, c := range []struct {
		name    string
		samples []matte.Sample
		ref     matte.References
		opt     *matte.PrepareOptions
		is      error
		says    string
	}{
		{"no samples", nil, all, nil, nil, "no samples"},
		{"a sample without a band plate", []matte.Sample{{Color: samples[0].Color}}, all, nil, nil, "sample 0"},
		{"a small band plate", []matte.Sample{{Color: samples[0].Color, Band: small}}, all, nil, nil, "48x27"},
		{"a small clean plate", samples, matte.References{CleanBand: small}, nil, nil, "clean band plate"},
		{"a small dark plate", samples, matte.References{DarkBand: small}, nil, nil, "dark band plate"},
		{"a small dark plate for a screen", nil, matte.References{DarkBand: small}, &matte.PrepareOptions{Screen: &matte.Screen{W: 96, H: 54, Coefficients: []float64{0}}}, nil, "dark band plate"},
		{"a value that is not finite", samples, matte.References{CleanBand: all.CleanBand, DarkColor: odd}, nil, nil, "dark color plate"},
		{"a black clean plate", samples, matte.References{CleanBand: black}, nil, matte.ErrCleanBand, "black"},
		{"no screen", []matte.Sample{{Color: samples[0].Color, Band: black}}, matte.References{}, nil, matte.ErrNoScreen, "clean band plate"},
		{"an unread frame", nil, all, &matte.PrepareOptions{Read: func(int) ([]matte.Sample, error) { return nil, unread }}, unread, "0007"},
		{"a pedestal of 2", samples, all, &matte.PrepareOptions{Pedestal: 2}, nil, "pedestal 2"},
		{"a crosstalk of 2", samples, all, &matte.PrepareOptions{Crosstalk: &[3]float64{2}}, nil, "crosstalk 2"},
		{"a glare of 2", samples, all, &matte.PrepareOptions{Glare: matte.Glare{Strength: 2}}, nil, "strength 2"},
		{"a screen without coefficients", samples, matte.References{}, &matte.PrepareOptions{Screen: &matte.Screen{W: 96, H: 54, Order: 2}}, nil, "coefficients"},
		{"a screen of another size", samples, matte.References{}, &matte.PrepareOptions{CleanFrom: matte.CleanSmooth, Screen: &matte.Screen{W: 9, H: 5, Coefficients: []float64{0}}}, nil, "9x5"},
		{"a screen's color without coefficients", samples, matte.References{CleanBand: all.CleanBand}, &matte.PrepareOptions{ScreenColor: &matte.ScreenColor{}}, nil, "coefficients"},
	} {
		_, err := matte.Prepare(c.samples, c.ref, c.opt)
		if err == nil || c.is != nil && !errors.Is(err, c.is) || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v; want %q", c.name, err, c.says)
		}
	}
}
