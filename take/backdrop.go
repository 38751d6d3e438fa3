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
	start    int        // in order, the place of the one that goes with the first
	loop     bool       // after the last comes the first
	fit      composite.Fit
	end      *composite.Fit    // nil: it does not drift
	fitter   *composite.Fitter // of fit
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
	info, from := t.backgroundInfo, t.backgroundFrom
	if info.W == 0 {
		if info, from, err = t.size(b.frames); err != nil {
			return nil, "", err
		}
		t.backgroundInfo, t.backgroundFrom = info, from
	}
	b.fit, b.end, b.loop = t.recipe.Fit, t.recipe.FitEnd, t.recipe.BackgroundEnd == "loop"
	b.size = image.Pt(info.W, info.H)
	if b.fitter, err = b.fitterOf(b.fit); err != nil {
		return nil, "", fmt.Errorf("%s: %w", from.Path, err)
	}
	if b.end != nil && *b.end == b.fit {
		b.end = nil
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
	if start := t.recipe.BackgroundStart; start != nil {
		i := slices.IndexFunc(b.frames, func(f FrameFile) bool { return f.Number == *start })
		if i < 0 {
			return nil, "", fmt.Errorf("background_start %d: the background has no such frame: it has %d to %d", *start, b.frames[0].Number, b.frames[len(b.frames)-1].Number)
		}
		b.start = i
	}
	b.byNumber = t.recipe.BackgroundStart == nil && !slices.ContainsFunc(b.whole, func(p FilePair) bool { _, ok := b.frames.at(p.Number); return !ok })
	if n := len(b.frames); n > 1 && !b.byNumber {
		note = "the background's frame numbers are not the take's: its frames are used in order"
		if t.recipe.BackgroundStart != nil {
			note = fmt.Sprintf("the background begins with its frame %d", *t.recipe.BackgroundStart)
		}
		switch {
		case n-b.start >= len(b.whole):
		case b.loop:
			note += fmt.Sprintf(", and after the last of its %d it begins anew", n)
		default:
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

// place returns where a frame of the take is among the recipe's frames.
func (b *backdrop) place(number int) int {
	at, _ := slices.BinarySearchFunc(b.whole, number, func(p FilePair, n int) int { return p.Number - n })
	return at
}

// file returns the background for the take's frame at index i.
func (b *backdrop) file(i int) string { return b.behind(b.pairs[i].Number) }

// behind returns the background for a frame of the take: the still; the frame of the same number
// where the background has all the take's numbers; otherwise the one of the same place in the order
// of the recipe's frames, from the start on, and beyond its end the last or the first again.
func (b *backdrop) behind(number int) string {
	if b.byNumber {
		if f, ok := b.frames.at(number); ok {
			return f.Path
		}
	}
	at := b.start + b.place(number)
	if b.loop {
		at %= len(b.frames)
	}
	return b.frames[min(at, len(b.frames)-1)].Path
}

// fitAt returns how the background lies behind the take's frame at index i.
func (b *backdrop) fitAt(i int) composite.Fit {
	if b.end == nil {
		return b.fit
	}
	return b.fit.Toward(*b.end, float64(b.place(b.pairs[i].Number))/float64(max(len(b.whole)-1, 1)))
}

func (b *backdrop) fitterOf(f composite.Fit) (*composite.Fitter, error) {
	return composite.NewFitter(b.size.X, b.size.Y, b.in.colorSize.X, b.in.colorSize.Y, f)
}

// same reports whether the background's pictures are the frames, and need not be fitted.
func (b *backdrop) same() bool { return b.end == nil && b.fitter.Same() }

// reach returns how much of each pixel the background of the frame at index i reaches, where the
// recipe's operator asks for it.
func (b *backdrop) reach(i int) (*plate.Gray, error) {
	if b.end == nil {
		return b.alpha, nil
	}
	f, err := b.fitterOf(b.fitAt(i))
	if err != nil {
		return nil, err
	}
	return f.Coverage(), nil
}

// A hung background is fitted to a frame. Its memory, and what is the same, goes from one frame to
// the next.
type hung struct {
	at     hanging    // what shown is; the zero value is nothing
	shown  *plate.RGB // one of those below
	file   string     // that read was read from; "": none
	tinted hanging    // of what file graded is, by what grade; the zero value is nothing
	passed hanging    // what went by row by row

	read, graded, fitted *plate.RGB // each of the one before
	rows                 composite.Fitted
}

// A hanging is a file, how it is graded, and how it is fitted.
type hanging struct {
	path  string
	grade *composite.Grader
	fit   composite.Fit
}

// has reports whether no file must be read for it.
func (h *hung) has(at hanging) bool { return h.at == at || h.file == at.path }

// holds says that all rows of a picture that open has begun are there; shown is nil where they went
// by.
func (h *hung) holds(at hanging, shown *plate.RGB) {
	if shown == nil {
		return
	}
	h.at, h.shown = at, shown
	if at.grade == nil && shown == h.read {
		h.file = at.path
	}
}

// forget has the next one read from its file.
func (h *hung) forget() { h.at, h.tinted, h.file = hanging{}, hanging{}, "" }

func (b *backdrop) hanging(i int) hanging { return hanging{b.file(i), b.grade, b.fitAt(i)} }

// hang reads, grades and fits the background of the frame at index i into h, as far as that is not
// there already.
func (b *backdrop) hang(h *hung, i int) error {
	at := b.hanging(i)
	if at == h.at {
		return nil
	}
	picture, fits, err := b.lay(h, i)
	if err != nil {
		return err
	}
	if fits {
		h.fitted = h.rows.RGB(h.fitted)
		picture = h.fitted
	}
	h.at, h.shown = at, picture
	return nil
}

// lay reads and grades the background of the frame at index i, as far as that is not there already,
// and, where it is to be fitted, has the rows of h be it.
func (b *backdrop) lay(h *hung, i int) (picture *plate.RGB, fits bool, err error) {
	at := b.hanging(i)
	h.at = hanging{}
	if h.file != at.path {
		h.forget()
		if h.read, err = b.in.readRGB(h.read, at.path, b.in.backgroundCurve, b.in.backgroundPrimaries); err != nil {
			return nil, false, err
		}
		h.file = at.path
	}
	picture = h.read
	if b.grade != nil {
		if tint := (hanging{path: at.path, grade: at.grade}); h.tinted != tint {
			h.graded = h.graded.Sized(h.read.Size())
			h.graded.Paste(h.read, 0, 0)
			b.grade.Frame(h.graded)
			h.tinted = tint
		}
		picture = h.graded
	}
	if b.same() && picture.Size() == b.in.colorSize {
		return picture, false, nil
	}
	fitter := b.fitter
	if b.end != nil {
		fitter, err = b.fitterOf(at.fit)
	}
	if err == nil {
		err = h.rows.Begin(fitter, picture)
	}
	if err != nil {
		h.forget()
		return nil, false, fmt.Errorf("%s: %w", at.path, err)
	}
	return picture, true, nil
}

// open is hang for whoever needs a row at a time: where it can be, the file is read so, and what is
// behind one frame alone is fitted so. With keep holds is to be told once all rows were asked for.
func (b *backdrop) open(h *hung, i int, keep bool) (rows, error) {
	at := b.hanging(i)
	if !h.has(at) && b.same() {
		h.forget()
		into := &h.read
		if b.grade != nil {
			into = &h.graded
		}
		f, err := b.in.openRGB(*into, keep, at.path, b.in.backgroundCurve, b.in.backgroundPrimaries)
		if err != nil {
			return nil, err
		}
		if f.grade = b.grade; f.size() == b.in.colorSize {
			if keep {
				*into = f.kept
			}
			return f, nil
		}
		f.close() // hang fits it, and says what is wrong
	}
	if changes := b.end != nil || len(b.frames) > 1; changes && !b.same() && at != h.at && at != h.passed {
		_, _, err := b.lay(h, i)
		h.passed = at
		return passing{&h.rows, b.in.colorSize}, err
	}
	err := b.hang(h, i)
	return whole{h.shown}, err
}

// Passing is a background that is fitted as its rows are asked for.
type passing struct {
	*composite.Fitted
	frame image.Point
}

func (p passing) size() image.Point               { return p.frame }
func (p passing) row(y int) ([3][]float32, error) { return p.Row(y), nil }
func (p passing) plane() *plate.RGB               { return nil }
func (p passing) close()                          {}

// shared returns a function that gives the background that all frames share, which it reads the
// first time that it is called. It is nil where each frame has a background of its own.
func (b *backdrop) shared() func() (*plate.RGB, error) {
	if len(b.frames) != 1 || b.end != nil {
		return nil
	}
	return sync.OnceValues(func() (*plate.RGB, error) {
		var h hung
		err := b.hang(&h, 0)
		return h.shown, err
	})
}
