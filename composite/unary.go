package composite

import "example.com/twinplate/plate"

// Dissolve returns a with color and alpha multiplied by keep: the picture fades to nothing as keep
// goes from 1 to 0 (Porter and Duff 1984, section 4.3, dissolve). A cross-dissolve is the Plus of
// one picture dissolved to 1 - x and another to x.
//
// The result is written to dst, which may be a, and is returned; a nil dst means a new frame. The
// error is a *plate.SizeError; dst is then untouched.
func Dissolve(dst, a *plate.RGBA, keep float32) (*plate.RGBA, error) {
	return scale(dst, a, keep, keep)
}

// Darken returns a with its color multiplied by keep and its alpha as it is: the picture goes to
// black as keep goes from 1 to 0, and hides as much as before (Porter and Duff 1984, section 4.3,
// darken). A keep above 1 brightens.
//
// The result is written to dst, which may be a, and is returned; a nil dst means a new frame. The
// error is a *plate.SizeError; dst is then untouched.
func Darken(dst, a *plate.RGBA, keep float32) (*plate.RGBA, error) {
	return scale(dst, a, keep, 1)
}

// Opaque returns a with its alpha multiplied by keep and its color as it is: at 0 the picture hides
// nothing and only adds its light, as a glow or a flame does (Porter and Duff 1984, section 4.3,
// opaque).
//
// The result is written to dst, which may be a, and is returned; a nil dst means a new frame. The
// error is a *plate.SizeError; dst is then untouched.
func Opaque(dst, a *plate.RGBA, keep float32) (*plate.RGBA, error) {
	return scale(dst, a, 1, keep)
}

func scale(dst, a *plate.RGBA, color, alpha float32) (*plate.RGBA, error) {
	dst, err := targetRGBA(dst, a)
	if err != nil {
		return nil, err
	}
	from, by := whole(a), [4]float32{color, color, color, alpha}
	for c, out := range whole(dst) {
		for i, v := range from[c][:len(out)] {
			out[i] = by[c] * v
		}
	}
	return dst, nil
}
