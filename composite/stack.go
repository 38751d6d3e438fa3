package composite

import (
	"cmp"
	"fmt"
	"math"

	"example.com/twinplate/internal/kernel"
	"example.com/twinplate/plate"
)

// A Layer is a picture element in front of the performer or behind.
type Layer struct {
	Frame    *plate.RGBA // premultiplied, linear light, the foreground's size
	Operator Operator    // how the frame, as A, joins what lies below it, as B; the zero value is AOverB
	Fade     float32     // how far the frame is dissolved: 0 not at all, 1 entirely
}

// Stack puts a whole shot together, from the back to the front: the background; the layers behind,
// in turn; all of that held out by the transmission, and the performer added, as HoldOut does; and
// the layers in front, in turn.
//
// The background counts as opaque. A layer whose operator makes a hole in it (AOutB, say) leaves
// black there, unless a later layer fills it. Nothing is clamped except as Compose says. Without
// layers the result is HoldOut's, to the bit.
//
// The error is a *plate.SizeError, or says which layer is not valid and why.
func Stack(background *plate.RGB, behind []Layer, foreground *plate.RGB, transmission *plate.Gray, front []Layer) (*plate.RGB, error) {
	if err := cmp.Or(checkSizes(foreground, transmission, background), checkLayers("behind", behind, foreground), checkLayers("in front", front, foreground)); err != nil {
		return nil, err
	}
	out := plate.NewRGB(foreground.W, foreground.H)
	// Row by row, so that what is being built stays close to the processor.
	alpha := make([]float32, out.W)
	for y := range out.H {
		i, j := y*out.W, (y+1)*out.W
		built := span{out.Pix[0][i:j], out.Pix[1][i:j], out.Pix[2][i:j], alpha}
		for c := range out.Pix {
			copy(built[c], background.Pix[c][i:j])
		}
		for x := range alpha {
			alpha[x] = 1
		}
		for _, l := range behind {
			composeSpan(built, l.Operator, 1-l.Fade, row(l.Frame, y), built)
		}
		t := transmission.Pix[i:j]
		for c := range out.Pix {
			kernel.Held(built[c], foreground.Pix[c][i:j], t, built[c])
		}
		for x := range alpha {
			alpha[x] = (1 - t[x]) + float32(t[x]*alpha[x])
		}
		for _, l := range front {
			composeSpan(built, l.Operator, 1-l.Fade, row(l.Frame, y), built)
		}
	}
	return out, nil
}

func checkLayers(where string, layers []Layer, foreground *plate.RGB) error {
	for i, l := range layers {
		name := fmt.Sprintf("layer %d %s", i, where)
		if l.Frame == nil {
			return fmt.Errorf("composite: %s has no frame", name)
		}
		if err := plate.CheckSize(name, l.Frame.Size(), "foreground", foreground.Size()); err != nil {
			return err
		}
		if err := l.Operator.check(); err != nil {
			return fmt.Errorf("%w (%s)", err, name)
		}
		if f := float64(l.Fade); math.IsNaN(f) || f < 0 || f > 1 {
			return fmt.Errorf("composite: the fade of %s is %v, and must be 0 (not at all) to 1 (entirely)", name, l.Fade)
		}
	}
	return nil
}
