package align_test

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"example.com/twinplate/align"
	"example.com/twinplate/internal/test/tier"
)

// scene returns what is to be heard on a set for so many seconds, at 48 kHz: words, as bursts of
// voiced and unvoiced sound, and a clap after two seconds.
func scene(seconds float64, dice *rand.Rand) []float64 {
	const rate = 48000
	out := make([]float64, int(seconds*rate))
	for at := 0.3; at < seconds-0.5; at += 0.15 + 0.5*dice.Float64() {
		n := int((0.05 + 0.25*dice.Float64()) * rate)
		pitch := 90 + 120*dice.Float64()
		voiced := dice.Float64() < 0.7
		var last float64
		for i := range n {
			k := int(at*rate) + i
			if k >= len(out) {
				break
			}
			shape := math.Sin(math.Pi * float64(i) / float64(n))
			last = 0.8*last + dice.NormFloat64()
			v := 0.3 * last
			if voiced {
				for h := 1.; h < 12; h++ {
					v += math.Sin(2*math.Pi*pitch*h*(1+0.01*float64(i)/rate)*float64(i)/rate+h*h) / h
				}
			}
			out[k] += 0.1 * shape * v
		}
	}
	for i := range 2000 {
		if k := 2*rate + i; k < len(out) {
			out[k] += math.Exp(-float64(i)/200) * dice.NormFloat64()
		}
	}
	return out
}

// heard returns what a camera records of a scene at SoundRate: from a time on, through a room with
// echoes of its own, with noise, by a clock that is fast by drift.
func heard(scene []float64, from, seconds, drift, echo, noise float64, dice *rand.Rand) []float32 {
	const rate = 48000
	// The room, at the scene's rate: the direct sound, and a decaying tail after it.
	type tap struct {
		late int
		gain float64
	}
	taps := []tap{{0, 1}}
	for range 24 {
		late := 0.004 + 0.2*dice.Float64()
		taps = append(taps, tap{int(late * rate), echo * math.Exp(-late/0.08) * dice.NormFloat64()})
	}
	// The mean of six samples keeps most of what is above half the rate out.
	smooth := make([]float64, len(scene))
	for k := 3; k+3 < len(scene); k++ {
		smooth[k] = (scene[k-3] + scene[k+3] + 2*(scene[k-2]+scene[k-1]+scene[k]+scene[k+1]+scene[k+2])) / 12
	}
	out := make([]float32, int(seconds*align.SoundRate))
	var state float64
	for i := range out {
		t := from + float64(i)/align.SoundRate/(1+drift)
		k := int(t * rate)
		f := t*rate - float64(k)
		var v float64
		for _, p := range taps {
			if at := k - p.late; at >= 0 && at+1 < len(smooth) {
				v += p.gain * (smooth[at]*(1-f) + smooth[at+1]*f)
			}
		}
		state = 0.9*state + dice.NormFloat64()
		out[i] = float32(v + noise*state*0.01 + 0.02*noise*math.Sin(2*math.Pi*50*t)) // and the mains
	}
	return out
}

// Delays of known fractions of a frame are found to a hundredth of one, at 24 frames a second, in
// rooms with echoes of their own and noise.
func TestSoundOffset(t *testing.T) {
	tier.InTest(t)
	const frame = 1. / 24
	for _, row := range []struct {
		frames, echo, noise float64
	}{{0, 0, 0}, {0.5, 0, 0.2}, {12.25, 0.2, 0.5}, {-37.01, 0.3, 1}, {3.33, 0.3, 2}, {0.125, 0.4, 1}} {
		dice := rand.New(rand.NewPCG(7, uint64(100*row.frames+1000)))
		s := scene(30, dice)
		late := row.frames * frame
		color := heard(s, max(-late, 0), 20, 0, row.echo, row.noise, dice)
		band := heard(s, max(-late, 0)+late, 22, 0, row.echo, row.noise, dice)
		e, err := align.SoundOffset(context.Background(), color, band)
		if err != nil {
			t.Errorf("%v frames: %v", row.frames, err)
			continue
		}
		if off := (e.Seconds - late) / frame; !(math.Abs(off) < 0.01) {
			t.Errorf("%v frames: %.4f frames off, stated %.4f", row.frames, off, e.Sigma/frame)
		}
		if !(math.Abs(e.Seconds-late) < 4*e.Sigma) {
			t.Errorf("%v frames: %.2g s off, stated %.2g s", row.frames, e.Seconds-late, e.Sigma)
		}
		if !(math.Abs(e.Drift) < 4*e.DriftSigma+1e-6) {
			t.Errorf("%v frames: a drift of %.2g, stated %.2g, and there is none", row.frames, e.Drift, e.DriftSigma)
		}
	}
}

// A clock that is 40 parts in a million fast is 2.4 ms ahead after a minute.
func TestSoundDrift(t *testing.T) {
	dice := rand.New(rand.NewPCG(8, 9))
	s := scene(70, dice)
	color := heard(s, 0, 65, 0, 0.2, 0.5, dice)
	band := heard(s, 1.5, 62, 40e-6, 0.2, 0.5, dice)
	e, err := align.SoundOffset(context.Background(), color, band)
	if err != nil {
		t.Fatal(err)
	}
	if !(math.Abs(e.Drift-40e-6) < 4*e.DriftSigma && e.DriftSigma < 8e-6 && math.Abs(e.Seconds-1.5) < 4e-4) {
		t.Errorf("drift %.3g (stated %.2g), want 4e-5; offset %.5f s, want 1.5", e.Drift, e.DriftSigma, e.Seconds)
	}
}

// Of a long take the end tells: after ten minutes a clock that is 20 parts in a million fast is 12
// ms ahead, a third of a frame of 25 a second, and that it stays within a millisecond is known from
// stretches of 20 s of what comes after the first minutes. A clock that begins to drift after them
// is told too.
func TestSoundDriftOfALongTake(t *testing.T) {
	tier.InTest(t)
	const ahead = 20e-6
	dice := rand.New(rand.NewPCG(8, 9))
	stretch := func(at, seconds float64) (color, band []float32) { // from a time in the band camera's recording on
		s := scene(seconds+4, dice)
		return heard(s, 1, seconds, 0, 0.2, 0.5, dice), heard(s, 1+at/(1+ahead)-at, seconds, ahead, 0.2, 0.5, dice)
	}
	color, band := stretch(0, 60)
	e, err := align.SoundOffset(context.Background(), color, band)
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(e.Seconds) > 4e-4 {
		t.Fatalf("offset %.5f s, want 0", e.Seconds)
	}
	first := e.DriftSigma
	for _, at := range []float64{240, 330, 430, 580} {
		color, band := stretch(at, 20)
		if err := e.Later(context.Background(), at, color, at, band); err != nil {
			t.Fatal(err)
		}
	}
	t.Logf("drift %.3g, stated error %.2g, by the first minute alone %.2g", e.Drift, e.DriftSigma, first)
	if !(math.Abs(e.Drift-ahead) < 4*e.DriftSigma && math.Abs(e.Drift-ahead)*600 < 1e-3 && e.DriftSigma < first/2 && math.Abs(e.Seconds) < 4e-4) {
		t.Errorf("drift %.3g (stated %.2g), want 2e-5; offset %.5f s, want 0", e.Drift, e.DriftSigma, e.Seconds)
	}
	// Nothing in common, or nothing at all, changes nothing.
	known := e.Drift
	if err := e.Later(context.Background(), 600, color[:align.SoundRate/2], 600, nil); err != nil || e.Drift != known {
		t.Errorf("without sound: drift %v, was %v, %v", e.Drift, known, err)
	}
}

// What tells nothing is an error, and not an offset.
func TestSoundThatTellsNothing(t *testing.T) {
	dice := rand.New(rand.NewPCG(10, 11))
	s := scene(20, dice)
	good := heard(s, 0, 15, 0, 0, 0.1, dice)
	noise := make([]float32, len(good))
	for i := range noise {
		noise[i] = float32(dice.NormFloat64())
	}
	tone := make([]float32, len(good))
	for i := range tone {
		tone[i] = float32(math.Sin(2 * math.Pi * 440 * float64(i) / align.SoundRate))
	}
	for _, row := range []struct {
		what        string
		color, band []float32
	}{
		{"one camera silent", good, make([]float32, len(good))},
		{"no sound at all", good, nil},
		{"another room's noise", good, noise},
		{"another take", good, heard(scene(20, rand.New(rand.NewPCG(12, 13))), 0, 15, 0, 0, 0.1, dice)},
		{"a steady tone", tone, tone[:len(tone)-3000]},
	} {
		if e, err := align.SoundOffset(context.Background(), row.color, row.band); !errors.Is(err, align.ErrNoSound) {
			t.Errorf("%s: %+v, %v", row.what, e, err)
		}
	}
	noise[5] = float32(math.NaN())
	if _, err := align.SoundOffset(context.Background(), good, noise); err == nil || errors.Is(err, align.ErrNoSound) {
		t.Errorf("NaN: %v", err)
	}
}

func ExampleSoundOffset() {
	dice := rand.New(rand.NewPCG(1, 2))
	s := scene(12, dice)
	color := heard(s, 0, 10, 0, 0, 0, dice)
	band := heard(s, 0.25, 10, 0, 0, 0, dice) // started six frames later
	e, err := align.SoundOffset(context.Background(), color, band)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("the band camera was started %.3f s late\n", e.Seconds)
	// Output: the band camera was started 0.250 s late
}
