package take

import (
	"fmt"
	"image"
	"slices"
	"sync"

	"example.com/twinplate/composite"
	"example.com/twinplate/plate"
)

// A backdrop is what goes behind the take's frames, and how it is fitted to them.
type backdrop struct {
	in       *reader
	frames   Sequence
	pairs    []FilePair // that are made
	whole    []FilePair // of the recipe's frames
	byNumber bool       // by the frames' numbers, and not in order
	fitter   *composite.Fitter
	grade    *composite.Grader // nil: none
	size     image.Point       // of what it is fitted from
	alpha    *plate.Gray       // where the recipe's operator asks for it: how much of each pixel the background reaches
}

// newBackdrop returns nil where the take has no background. A note says how its frames go with the
// take's.
func (t *Take) newBackdrop() (b *backdrop, note string, err error) {
	if len(t.background) == 0 {
		return nil, "", nil
	}
	b = &backdrop{in: &t.reader, frames: t.background, pairs: t.Pairs, whole: t.whole}
	info, from, err := t.size(b.frames)
	if err != nil {
		return nil, "", err
	}
	if b.fitter, err = composite.NewFitter(info.W, info.H, t.colorSize.X, t.colorSize.Y, t.recipe.Fit); err != nil {
		return nil, "", fmt.Errorf("%s: %w", from.Path, err)
	}
	if op := t.recipe.Operator; op != composite.AOverB {
		b.alpha = b.fitter.Coverage()
		if !slices.ContainsFunc(b.alpha.Pix, func(a float32) bool { return a < 1 }) {
			switch op {
			case composite.AOutB:
				return nil, "", fmt.Errorf("operator %v leaves nothing: the background %s covers the frame; --fit inside or --fit none may leave some of it open", op, from.Path)
			case composite.BOverA:
				return nil, "", fmt.Errorf("operator %v hides the performer: the background %s covers the frame; --fit inside or --fit none may leave some of it open", op, from.Path)
			}
		}
	}
	b.size = image.Pt(info.W, info.H)
	b.byNumber = !slices.ContainsFunc(b.whole, func(p FilePair) bool { _, ok := b.frames.at(p.Number); return !ok })
	if n := len(b.frames); n > 1 && !b.byNumber {
		note = "the background's frame numbers are not the take's: its frames are used in order"
		if n < len(b.whole) {
			note += fmt.Sprintf(", and the last of its %d is held", n)
		}
	}
	return b, note, nil
}

func (s Sequence) at(number int) (FrameFile, bool) {
	i, ok := slices.BinarySearchFunc(s, number, func(f FrameFile, n int) int { return f.Number - n })
	if !ok {
		return FrameFile{}, false
	}
	return s[i], true
}

// file returns the background for the take's frame at index i: the still; the frame of the same
// number where the background has all the take's numbers; otherwise the one of the same place in the
// order of the recipe's frames, or the last.
func (b *backdrop) file(i int) string {
	n := b.pairs[i].Number
	if b.byNumber {
		if f, ok := b.frames.at(n); ok {
			return f.Path
		}
	}
	at, _ := slices.BinarySearchFunc(b.whole, n, func(p FilePair, n int) int { return p.Number - n })
	return b.frames[min(at, len(b.frames)-1)].Path
}

// A hung background is fitted to a frame. Its memory goes from one frame to the next.
type hung struct {
	path    string     // the file that it was read from; "": none
	picture *plate.RGB // what that holds, where it is not of the frame's size
	fitted  *plate.RGB
}

// hang reads and fits the background of the frame at index i into h, unless it is there already.
func (b *backdrop) hang(h *hung, i int) error {
	path := b.file(i)
	if path == h.path {
		return nil
	}
	h.path = ""
	into := h.picture
	if b.fitter.Same() {
		into = h.fitted
	}
	picture, err := b.in.readRGB(into, path, b.in.backgroundCurve, b.in.backgroundPrimaries)
	if err != nil {
		return err
	}
	if b.grade != nil {
		b.grade.Frame(picture)
	}
	switch {
	case b.fitter.Same() && picture.Size() == b.in.colorSize:
		h.fitted = picture
	default:
		h.picture = picture
		if h.fitted, err = b.fitter.RGB(h.fitted, picture); err != nil {
			h.fitted = nil
			return fmt.Errorf("%s: %w", path, err)
		}
	}
	h.path = path
	return nil
}

// open is hang for whoever needs a row at a time: where it can be, the file is read so, and with keep
// into h.fitted, which keepRows makes the background that is there.
func (b *backdrop) open(h *hung, i int, keep bool) (rows, error) {
	if path := b.file(i); path != h.path && b.fitter.Same() {
		h.path = ""
		f, err := b.in.openRGB(h.fitted, keep, path, b.in.backgroundCurve, b.in.backgroundPrimaries)
		if err != nil {
			return nil, err
		}
		if f.grade = b.grade; f.size() == b.in.colorSize {
			return f, nil
		}
		f.close() // hang fits it, and says what is wrong
	}
	err := b.hang(h, i)
	return whole{h.fitted}, err
}

// shared returns a function that gives the background that all frames share, which it reads the first
// time that it is called. It is nil where each frame has a background of its own.
func (b *backdrop) shared() func() (*plate.RGB, error) {
	if len(b.frames) != 1 {
		return nil
	}
	return sync.OnceValues(func() (*plate.RGB, error) {
		var h hung
		err := b.hang(&h, 0)
		return h.fitted, err
	})
}
