package take

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"sort"
	"sync"

	"example.com/twinplate/align"
	"example.com/twinplate/internal/list"
	"example.com/twinplate/plate"
)

// A Timing says how the two recordings were brought together in time.
type Timing struct {
	Offset int    // the color frame n is paired with the band frame n + Offset
	From   string // where that is from: "number", "time code", "the given offset", "sound" or "motion"

	// Timecode is the offset by time code, nil where there is none.
	Timecode *int

	// Motion is the offset by the motion in the paired frames; nil where it was not looked at, or
	// decides nothing: then Unsure says why. Its Frames is 0 where the pairs are of the same
	// instants.
	Motion *align.ClockEstimate
	Unsure string

	// Sound is how the frames lie by the sound of both recordings; nil where that was not listened to,
	// or decides nothing.
	Sound *SoundTiming

	Warnings []string // in plain words, each naming what to do about it
}

// A SoundTiming is what two cameras' sound says of paired frames.
type SoundTiming struct {
	Late, Sigma       float64 // by how much the band frames are late besides, in frames, and its standard error
	Drift, DriftSigma float64 // the part by which the band camera's clock is fast, and its standard error; 0 where the sound is too short to tell
}

// Fits returns the offset that the motion asks for: Offset where the pairs are right, or the motion
// decides nothing.
func (t Timing) Fits() int {
	if t.Motion == nil {
		return t.Offset
	}
	return t.Offset - t.Motion.Frames
}

// How many frames the recordings' motion is compared over, and at which offsets.
const (
	clockShared = 12  // frames that align.Clocks asks for at each offset
	clockLeast  = 16  // frames in a row, so that some offsets can be held against each other
	clockFrames = 48  // to check a pairing, two seconds of film from the middle
	clockReach  = 24  // frames
	clockSearch = 192 // frames to find an offset, from the beginning
	mostLost    = 4   // one frame in so many may be damaged; chosen by hand
	searchReach = 96  // frames

	clockWide, clockHigh = 32, 18 // pixels that align.Clocks asks for

	// plainly is the match, over that of the next best offset, from which there is no doubt; chosen
	// by hand.
	plainly = 1.2

	// anyRate is a rate with whose time code names are read only to see whether they have any, and
	// their order: that of the most frames a second.
	anyRate = 60
)

// Timing returns how the frames were paired. Motion has been looked at where the recipe's offset is
// "auto".
func (t *Take) Timing() Timing { return t.timing }

// CheckTiming is Timing with the motion looked at: it compares the motion in up to 48 consecutive
// pairs, at offsets of up to 24 frames, and warns where the pairs are not of the same instants.
// Fewer than 16 consecutive pairs cannot be checked. It reads the frames one pair at a time.
func (t *Take) CheckTiming(ctx context.Context) (Timing, error) {
	defer t.files.Rest()
	if t.timing.Motion != nil {
		return t.timing, nil
	}
	t.stage("the frames' motion")
	color, band := t.sides()
	run := longest(color)
	from := 0
	for len(run) > 0 && color[from].Number != run[0].Number {
		from++
	}
	n := min(len(run), clockFrames)
	from += (len(run) - n) / 2
	out := t.timing
	e, err := t.compare(ctx, color[from:from+n], band[from:from+n], min(clockReach, n-clockShared))
	switch {
	case errors.As(err, new(unsure)):
		out.Unsure = err.Error()
		return out, nil
	case err != nil:
		return out, err
	case e.Frames != 0 && e.Match < plainly*e.Rival:
		out.Unsure = fmt.Sprintf("it agrees about as well at several offsets (%.2f and %.2f)", e.Match, e.Rival)
		return out, nil
	}
	out.Motion = e
	if e.Frames != 0 {
		out.Warnings = append(out.Warnings, fmt.Sprintf("by their motion color frame n belongs with band frame %s, and by %s it is paired with %s: give the offset %d, or auto", theirs(out.Fits()), out.From, theirs(out.Offset), out.Fits()))
	}
	return out.withStep(), nil
}

// theirs writes the number of the band frame that an offset gives.
func theirs(offset int) string {
	if offset == 0 {
		return "n"
	}
	return fmt.Sprintf("n%+d", offset)
}

// frames writes a number of frames without its sign.
func frames(n int) string {
	if n == 1 || n == -1 {
		return "1 frame"
	}
	return fmt.Sprintf("%d frames", max(n, -n))
}

// withStep adds the warning of a fraction of a frame.
func (t Timing) withStep() Timing {
	if e := t.Motion; !e.InStep {
		t.Warnings = append(t.Warnings, "the cameras are not in step: "+e.Step()+"; the matte's edge will be off where the performer moves: lock both cameras to one clock")
	}
	return t
}

// An unsure error says that the motion does not give the offset, and why.
type unsure string

func (e unsure) Error() string { return string(e) }

// compare finds the offset between the frames of color and band, counted from the first of each.
// The error is an unsure one where the motion decides nothing.
func (t *Take) compare(ctx context.Context, color, band Sequence, reach int) (*align.ClockEstimate, error) {
	if s := t.colorSize; min(s.X, t.bandSize.X) < clockWide || min(s.Y, t.bandSize.Y) < clockHigh {
		return nil, unsure("the frames are too small")
	}
	if n := min(len(color), len(band)); n < clockLeast {
		return nil, unsure(fmt.Sprintf("there are %d frames in a row, and it takes %d", n, clockLeast))
	}
	var clocks align.Clocks
	colors, bands := filled[plate.RGB]{add: clocks.AddColor}, filled[plate.Gray]{add: clocks.AddBand}
	lost := 0
	for i := range max(len(color), len(band)) {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		var c *plate.RGB
		var b *plate.Gray
		var errs [2]error
		var both sync.WaitGroup
		if i < len(color) {
			both.Go(func() { c, errs[0] = t.finiteColor(FilePair{Color: color[i].Path}) })
		}
		if i < len(band) {
			both.Go(func() { b, errs[1] = t.finiteBand(FilePair{Band: band[i].Path}) })
		}
		both.Wait()
		for _, err := range errs {
			if err != nil {
				t.lost(err)
				lost++
			}
		}
		if lost > len(color)/mostLost {
			return nil, unsure(fmt.Sprintf("%d of the frames cannot be read, the last of these: %v", lost, cmp.Or(errs[0], errs[1])))
		}
		if i < len(color) {
			if err := colors.put(c); err != nil {
				return nil, fmt.Errorf("%s: %w", color[i].Path, err)
			}
		}
		if i < len(band) {
			if err := bands.put(b); err != nil {
				return nil, fmt.Errorf("%s: %w", band[i].Path, err)
			}
		}
	}
	e, err := clocks.Offset(ctx, reach)
	if errors.Is(err, align.ErrNoMotion) {
		return nil, unsure("too little moves, or it moves in a steady rhythm")
	}
	return e, err
}

// A filled sequence has no holes: in the place of a frame that is nil goes the one before it, or at
// the beginning the one after.
type filled[T any] struct {
	add  func(*T) error
	last *T
	owed int // frames at the beginning that were nil
}

func (f *filled[T]) put(v *T) error {
	if v == nil && f.last == nil {
		f.owed++
		return nil
	}
	v = cmp.Or(v, f.last)
	for range f.owed + 1 {
		if err := f.add(v); err != nil {
			return err
		}
	}
	f.last, f.owed = v, 0
	return nil
}

// longest returns the longest part of a sequence without gaps.
func longest(s Sequence) Sequence {
	var best Sequence
	for i := 0; i < len(s); {
		j := i + 1
		for j < len(s) && s[j].Number == s[j-1].Number+1 {
			j++
		}
		if j-i > len(best) {
			best = s[i:j]
		}
		i = j
	}
	return best
}

// A recording is one camera's frames.
type recording struct {
	frames Sequence
	first  *Timecode // of the first frame; nil where there is none
	names  bool      // the frames are numbered by the time code in their names
}

// outOfOrder reports whether all names have time code, and are in another order by it.
func (r recording) outOfOrder() bool {
	paths := list.Of(r.frames, func(f FrameFile) string { return f.Path })
	coded := byTimecode(paths, anyRate, false)
	return coded != nil && !slices.EqualFunc(coded, paths, func(f FrameFile, path string) bool { return f.Path == path })
}

// origin is what the number of a frame's time code is more than its own.
func (r recording) origin() int { return r.first.Number() - r.frames[0].Number }

// recording finds a camera's frames. code is the time code of the first, "none", or empty: from the
// names.
func (t *opening) recording(path, code string) (recording, error) {
	r := &t.recipe
	if f, err := t.files.Footage(path); err != nil {
		return recording{}, err
	} else if f != nil {
		return t.filmed(path, f, code)
	}
	paths, err := files(path)
	if err != nil {
		return recording{}, err
	}
	rate, ok := timecodeRate(r.FPS)
	if ok && code == "" {
		if seq := byTimecode(paths, rate, r.Drop); seq != nil {
			first, _ := NameTimecode(seq[0].Path, rate, r.Drop)
			return recording{seq, &first, true}, nil
		}
	}
	seq, err := number(paths)
	if err != nil {
		if _, coded := NameTimecode(paths[0], anyRate, false); coded && !ok {
			err = fmt.Errorf("%w; if the names are time code, say how many frames a second it counts (fps)", err)
		}
		return recording{}, err
	}
	return r.coded(seq, code)
}

// filmed is recording for the frames of a video file, which states its frame rate and may have time
// code.
func (t *opening) filmed(path string, f *plate.Footage, code string) (recording, error) {
	r, seq := &t.recipe, footage(f)
	for _, n := range f.Notes {
		t.note("%s: %s", path, n)
	}
	if r.FPS == 0 && f.FPS >= 1 && f.FPS <= mostFPS {
		r.FPS = f.FPS
	} else if rate := f.FPS; r.FPS < rate*(1-sameRate) || r.FPS > rate*(1+sameRate) {
		t.note("%s has %.4g frames a second, and they are counted as %.4g", path, rate, r.FPS)
	}
	if code == "" && f.TimeCode != "" {
		if rec, err := r.coded(seq, f.TimeCode); err == nil {
			return rec, nil
		}
		t.note("%s: its time code %s is none at %.4g frames a second, and is not used", path, f.TimeCode, r.FPS)
	}
	return r.coded(seq, code)
}

// coded returns the recording of frames with the time code of the first, which may be "none" or
// empty.
func (r *Recipe) coded(seq Sequence, code string) (recording, error) {
	if code == "" || code == "none" {
		return recording{frames: seq}, nil
	}
	rate, _ := timecodeRate(r.FPS)
	first, err := ParseTimecode(code, rate)
	if first.Drop = first.Drop || r.Drop; err == nil {
		err = first.Check()
	}
	return recording{frames: seq, first: &first}, err
}

// byTimecode numbers the files by the time code in their names, or returns nil where a name has
// none or two have the same. A recording that goes past midnight counts on.
func byTimecode(paths []string, rate int, drop bool) Sequence {
	var seq Sequence
	early, late := false, false
	day := dayOf(rate, drop)
	for _, p := range paths {
		c, ok := NameTimecode(p, rate, drop)
		if !ok {
			return nil
		}
		seq = append(seq, FrameFile{c.Number(), p})
		early, late = early || c.Number() < day/4, late || c.Number() >= day-day/4
	}
	for i := range seq {
		if early && late && seq[i].Number < day/2 {
			seq[i].Number += day
		}
	}
	sort.Slice(seq, func(i, j int) bool { return seq[i].Number < seq[j].Number })
	for i := 1; i < len(seq); i++ {
		if seq[i].Number == seq[i-1].Number {
			return nil
		}
	}
	return seq
}

// dayOf returns the frames that time code counts in a day.
func dayOf(rate int, drop bool) int {
	return Timecode{23, 59, 59, rate - 1, rate, drop}.Number() + 1
}

// recordings finds both cameras' frames, and their offset by time code.
func (t *opening) recordings() error {
	var both [2]recording
	for i, c := range []struct{ what, path, code string }{{"color", t.recipe.Color, t.recipe.TimecodeColor}, {"band", t.recipe.Band, t.recipe.TimecodeBand}} {
		if c.path == "" {
			return fmt.Errorf("no %s plate is given: give a file, a folder or a glob", c.what)
		}
		var err error
		if both[i], err = t.recording(c.path, c.code); err != nil {
			return fmt.Errorf("%s plate: %w", c.what, err)
		}
	}
	if _, ok := timecodeRate(t.recipe.FPS); !ok && both[0].outOfOrder() {
		t.note("the names look like time code, and the frames are taken in the order of their last numbers: say how many frames a second it counts (fps)")
	}
	// The time code of one camera says nothing.
	if (both[0].first == nil) != (both[1].first == nil) {
		has, lacks := "color", "band"
		if both[0].first == nil {
			has, lacks = lacks, has
		}
		t.note("the %s frames have time code and the %s frames have none: it is not used", has, lacks)
		for i, path := range []string{t.recipe.Color, t.recipe.Band} {
			if !both[i].names {
				continue
			}
			var err error
			if both[i], err = t.recording(path, "none"); err != nil {
				return fmt.Errorf("%s plate: %w", has, err)
			}
		}
	}
	color, band := both[0], both[1]
	t.color, t.band, t.timecode = color.frames, band.frames, color.first
	t.timing = Timing{From: "number"}
	if color.first != nil && band.first != nil {
		offset := color.origin() - band.origin()
		// Where one is from before midnight and the other from after it, a day lies between.
		day := dayOf(color.first.Rate, color.first.Drop)
		apart := t.color[0].Number + offset - t.band[0].Number
		offset -= day * int(math.Round(float64(apart)/float64(day)))
		t.timing = Timing{Offset: offset, From: "time code", Timecode: &offset}
		t.note("frames are paired by time code: color frame %d is %v, and band frame %d is %v", t.color[0].Number, color.first, t.band[0].Number, band.first)
	}
	return nil
}

// offset settles the recordings' offset, as the recipe asks for.
func (t *opening) offset(ctx context.Context) error {
	switch t.recipe.Offset.Mode {
	case "given":
		t.timing.Offset, t.timing.From = t.recipe.Offset.Value, "the given offset"
	case "auto":
		// Sound tells to a hundredth of a frame, motion to a tenth, and time code is as good as whoever
		// set it.
		if heard, err := t.listen(ctx); err != nil {
			return err
		} else if heard {
			break
		}
		if err := t.search(ctx); err != nil {
			return err
		}
	}
	if code := t.timing.Timecode; code != nil && *code != t.timing.Offset {
		t.timing.Warnings = append(t.timing.Warnings, fmt.Sprintf("by %s color frame n belongs with band frame %s, and by time code with %s: the first is used; look for a camera whose time code was not set", t.timing.From, theirs(t.timing.Offset), theirs(*code)))
	}
	return nil
}

// search finds the offset from the motion, about that of the time code or the numbers where by
// these the recordings overlap, and else about recordings that begin together.
func (t *opening) search(ctx context.Context) error {
	color, band := longest(t.color), longest(t.band)
	first := max(color[0].Number, band[0].Number-t.timing.Offset)
	last := min(color[len(color)-1].Number, band[len(band)-1].Number-t.timing.Offset)
	if last-first >= clockReach {
		color, band = color[first-color[0].Number:], band[first+t.timing.Offset-band[0].Number:]
	}
	color, band = color[:min(len(color), clockSearch)], band[:min(len(band), clockSearch)]
	e, err := t.compare(ctx, color, band, searchReach)
	if errors.As(err, new(unsure)) {
		if t.timing.Timecode == nil {
			return fmt.Errorf("%s and %s: their motion does not tell the offset: %w; give it as a number of frames", t.recipe.Color, t.recipe.Band, err)
		}
		t.timing.Unsure = err.Error()
		t.timing.Warnings = append(t.timing.Warnings, "the motion does not tell the offset, and the time code is believed: "+err.Error())
		return nil
	}
	if err != nil {
		return err
	}
	t.timing.Offset, t.timing.From = band[0].Number-color[0].Number-e.Frames, "motion"
	if e.Match < plainly*e.Rival {
		t.timing.Warnings = append(t.timing.Warnings, fmt.Sprintf("the offset %+d is not certain: the motion agrees about as well at another (%.2f and %.2f); check it against a clap", t.timing.Offset, e.Match, e.Rival))
	}
	e.Frames = 0 // of the frames as they are paired now
	t.timing.Motion = e
	t.timing = t.timing.withStep()
	return nil
}

// paired returns the take with the frames paired at another offset.
func (t *Take) paired(offset int) (*Take, error) {
	other := *t
	other.timing.Offset = offset
	other.notes = slices.Clone(t.notes)
	return &other, other.pair()
}
