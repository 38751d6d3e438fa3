package take

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"image"
	"math"
	"slices"
	"strings"

	"example.com/twinplate/align"
	"example.com/twinplate/internal/list"
	"example.com/twinplate/internal/parallel"
	"example.com/twinplate/matte"
	"example.com/twinplate/plate"
)

// A Take is a recording whose frames are found, paired and looked at. Its methods may be used one
// after the other; Run uses all cores by itself.
type Take struct {
	// Stage, where it is not nil, is called as Prepare, Register, Check and CheckTiming begin a part
	// of their work, with its name in words.
	Stage func(name string)

	// CurvesLater has Prepare and Register leave to Job.Curves the one test for files that are read by
	// a wrong curve which registers again, for whoever would rather have the job sooner.
	CurvesLater bool

	// NoiseLater has Prepare leave the cameras' noise to Job.Noise, for whoever would rather see
	// frames sooner than their error bars. Nothing is left where the recipe has it, or is Tidy, so
	// that frames need it.
	NoiseLater bool

	// FewFrames has Prepare and Register find the geometry from the frames that they read at first,
	// also where a costume's faint texture in more of them would bring it nearer, for whoever would
	// rather have the job sooner: in some two thirds of the time, and up to twice as far off.
	FewFrames bool

	// Known, where it is not nil, are the planes of another job of this take (Job.Planes), whose recipe
	// (Job.Recipe) is this one but for its finish. Prepare uses them, and does not look again whether
	// the files are what they are called. It leaves them as they are, as all must who have them.
	Known *KnownPlanes

	Pairing
	reader
	recipe Recipe

	color, band Sequence // all of both recordings
	timing      Timing

	timecode    *Timecode // of the first color frame; nil where there is none
	outputCurve plate.Curve
	outputVia   transform // that makes the code values of comp and foreground; nil: the curve does

	darkColor, cleanColor *plate.RGB  // once readReferences has been called, as all below
	darkBand, cleanBand   *plate.Gray // in the band camera's frame
	background            Sequence
	backgroundInfo        plate.Info // once asked, of the frame that follows
	backgroundFrom        FrameFile
	referencePaths        []string    // files of the four above
	unread                []reference // those of them that have not been read

	notes    []string
	unpaired []string      // notes of the pairing
	whole    []FilePair    // of the recipe's frames, whichever of them are made: estimates are from these
	draft    bool          // see Draft
	damaged  map[int]error // frames that were looked at for an estimate and cannot be read
	warnings []string      // of these

	// The frames that registration read, until Prepare has estimated all else; nil: they
	// are not kept.
	kept map[FilePair]matte.Sample
}

// Open finds and pairs the take's frames and finds its reference plates, which are read when they are
// first needed. A path is a file, a folder or a glob, as of Find, or a video file, whose frames are
// counted from 1 and read through FFmpeg: see package clip. It needs the recipe's Color and Band. An
// error names the file, what is wrong with it and what would be right.
func Open(r Recipe) (*Take, error) { return OpenContext(context.Background(), r) }

// OpenContext is Open that ends with ctx.Err() when ctx does: with the offset "auto", it reads up
// to 192 frames of each camera to find it.
func OpenContext(ctx context.Context, r Recipe) (*Take, error) { return OpenFiles(ctx, newFiles(), r) }

// OpenFiles is OpenContext for pictures that come from elsewhere than the machine's files. What a
// folder or a pattern stands for is still looked up in the machine's.
func OpenFiles(ctx context.Context, files plate.Files, r Recipe) (*Take, error) {
	if err := r.Check(); err != nil {
		return nil, err
	}
	t := opening{&Take{recipe: r, damaged: map[int]error{}, reader: reader{files: files}}}
	defer t.files.Rest()
	transforms, offset := func() error { return t.transforms(ctx) }, func() error { return t.offset(ctx) }
	steps := []func() error{transforms, t.find, t.curves, offset, t.pair, func() error { return t.look(t.sides()) }}
	if r.Offset.Mode == "auto" { // the frames must be read before they are paired
		steps = []func() error{transforms, t.find, t.curves, func() error { return t.look(t.color, t.band) }, offset, t.pair}
	}
	for _, step := range steps {
		if err := step(); err != nil {
			return nil, err
		}
	}
	return t.Take, t.references()
}

// sides returns the frames of the pairs, each camera's by itself.
func (t *Take) sides() (color, band Sequence) {
	for _, p := range t.Pairs {
		color, band = append(color, FrameFile{p.Number, p.Color}), append(band, FrameFile{p.Number, p.Band})
	}
	return color, band
}

// An opening is a take whose frames are being found and looked at.
type opening struct{ *Take }

// Close ends what reading single frames of video files (ReadColor, a Scrubber) has left running: a
// program for each file. Every other method ends what it starts.
func (t *Take) Close() error {
	t.files.Rest()
	return nil
}

// footage returns the frames of a file of many, numbered from 1.
func footage(f *plate.Footage) Sequence {
	return list.By(len(f.Names), func(i int) FrameFile { return FrameFile{i + 1, f.Names[i]} })
}

// frames returns the frames that path stands for, as Find does, or those of a video file.
func (t *opening) frames(path string) (Sequence, error) {
	f, err := t.files.Footage(path)
	if err != nil {
		return nil, err
	}
	if f != nil {
		return footage(f), nil
	}
	return Find(path)
}

// FPS returns the frame rate that the recipe gives, or the color plate's video file has, or else
// the band plate's; 0 where none is known.
func (t *Take) FPS() float64 { return t.recipe.FPS }

// Notes returns what the user should know of how the take was read: assumed curves, frames without
// partners.
func (t *Take) Notes() []string { return slices.Concat(t.notes, t.unpaired) }

func (t *Take) stage(name string) {
	if t.Stage != nil {
		t.Stage(name)
	}
}

func (t *Take) note(format string, args ...any) {
	t.notes = append(t.notes, fmt.Sprintf(format, args...))
}

func (t *opening) find() error {
	if err := t.recordings(); err != nil {
		return err
	}
	if t.recipe.Background == "" {
		return nil
	}
	var err error
	if t.background, err = t.frames(t.recipe.Background); err != nil {
		return fmt.Errorf("background plate: %w", err)
	}
	return nil
}

// pair makes the pairs of the frames that the recipe selects.
func (t *Take) pair() error {
	if err := t.Select(t.recipe.Frames); err != nil {
		return err
	}
	t.whole = t.Pairs
	return nil
}

// Select makes the take's Pairs those of a range of the recording's frames, as ParseFrames reads
// it, for making a part of a take: what is estimated is estimated from the recipe's Frames all the
// same, so that a frame does not depend on which others are made.
func (t *Take) Select(frames string) error {
	all, err := MatchOffset(t.color, t.band, t.timing.Offset)
	if err != nil {
		return fmt.Errorf("%s and %s: %w", t.recipe.Color, t.recipe.Band, err)
	}
	first, last, err := ParseFrames(frames)
	if err != nil {
		return err
	}
	if t.Pairing, err = all.Select(first, last); err != nil {
		return err
	}
	t.unpaired = nil
	if len(t.NoBand) > 0 {
		t.unpaired = append(t.unpaired, "color frames without a band frame: "+Ranges(t.NoBand))
	}
	if len(t.NoColor) > 0 {
		t.unpaired = append(t.unpaired, "band frames without a color frame: "+Ranges(t.NoColor))
	}
	return nil
}

// Draft has Prepare and Register do with less, for whoever would rather have a rough result soon:
// they estimate from these of the recipe's frames alone, the geometry roughly
// (align.FootageOptions), and do not look whether the files are what they are called. It is an
// error where none of the frames is a pair of the take.
func (t *Take) Draft(frames []int) error {
	some := slices.DeleteFunc(slices.Clone(t.whole), func(p FilePair) bool { return !slices.Contains(frames, p.Number) })
	if len(some) == 0 {
		return fmt.Errorf("no frame of %s is a pair of the take", Ranges(frames))
	}
	t.whole, t.draft = some, true
	return nil
}

// look reads the sizes of the frames of each camera.
func (t *opening) look(colors, bands Sequence) error {
	color, _, err := t.size(colors)
	if err != nil {
		return err
	}
	band, bandFrame, err := t.size(bands)
	if err != nil {
		return err
	}
	t.colorSize, t.bandSize = image.Pt(color.W, color.H), image.Pt(band.W, band.H)
	t.weights = t.recipe.BandWeights
	if band.Color && t.weights == nil {
		path := bandFrame.Path
		if t.recipe.CleanBand != "" {
			seq, err := t.frames(t.recipe.CleanBand)
			if err != nil {
				return fmt.Errorf("clean band plate: %w", err)
			}
			path = seq[0].Path
		}
		f, err := t.readRGB(nil, path, t.bandCurve, t.primaries)
		if err != nil {
			return err
		}
		w := matte.BandWeights(f)
		t.weights = &w
		t.note("the band plate has color: its red, green and blue are weighted %.2f, %.2f, %.2f", w[0], w[1], w[2])
	}
	return nil
}

// references finds the reference plates.
func (t *opening) references() error {
	for _, r := range []struct {
		what, path string
		to         **plate.RGB
	}{{"dark color plate", t.recipe.DarkColor, &t.darkColor}, {"clean color plate", t.recipe.CleanColor, &t.cleanColor}} {
		if r.path == "" {
			continue
		}
		if err := t.reference(r.what, r.path, t.colorCurve, &t.colorPrimaries, t.colorSize, func(path string) ([]*plate.Gray, error) {
			f, err := t.readRGB(nil, path, t.colorCurve, t.colorPrimaries)
			if err != nil {
				return nil, err
			}
			var planes []*plate.Gray
			for _, pix := range f.Pix {
				planes = append(planes, &plate.Gray{W: f.W, H: f.H, Pix: pix})
			}
			return planes, nil
		}, func(mean []*plate.Gray) {
			*r.to = &plate.RGB{W: t.colorSize.X, H: t.colorSize.Y, Pix: [3][]float32{mean[0].Pix, mean[1].Pix, mean[2].Pix}}
		}); err != nil {
			return err
		}
	}
	for _, r := range []struct {
		what, path string
		to         **plate.Gray
	}{{"dark band plate", t.recipe.DarkBand, &t.darkBand}, {"clean band plate", t.recipe.CleanBand, &t.cleanBand}} {
		if r.path == "" {
			continue
		}
		if err := t.reference(r.what, r.path, t.bandCurve, nil, t.bandSize, func(path string) ([]*plate.Gray, error) {
			f, err := t.readGray(nil, path, t.weights)
			return []*plate.Gray{f}, err
		}, func(mean []*plate.Gray) { *r.to = mean[0] }); err != nil {
			return err
		}
	}
	return nil
}

// readReferences reads the reference plates, at the same time, where they have not been read.
func (t *Take) readReferences(ctx context.Context) error {
	errs := make([]error, len(t.unread), len(t.unread)+1)
	ended := parallel.Try(ctx, len(errs), 0, func(i int) error { // each may take memory for a whole file
		errs[i] = t.unread[i].mean()
		return nil
	})
	err := cmp.Or(append(errs, ended)...)
	if err == nil {
		t.unread = nil
	}
	return err
}

// A reference is a reference plate that has been found but not read.
type reference struct {
	what string
	seq  Sequence
	size image.Point
	read func(path string) ([]*plate.Gray, error)
	done func(mean []*plate.Gray)
}

// reference finds a reference plate, and looks at the head of its first file.
func (t *opening) reference(what, path string, c plate.Curve, from *plate.Primaries, size image.Point, read func(string) ([]*plate.Gray, error), done func([]*plate.Gray)) error {
	seq, err := t.frames(path)
	if err != nil {
		return fmt.Errorf("%s: %w", what, err)
	}
	if t.FileOf(seq[0].Path) != seq[0].Path { // a clip
		seq = middle(seq)
	}
	info, err := t.probe(seq[0].Path)
	if err != nil {
		return err
	}
	if err := sized(seq[0].Path, what, image.Pt(info.W, info.H), size); err != nil {
		return err
	}
	t.conflict(seq[0].Path, info, c, from)
	for _, f := range seq {
		t.referencePaths = append(t.referencePaths, f.Path)
	}
	t.unread = append(t.unread, reference{what, seq, size, read, done})
	return nil
}

// referenceFrames is how many frames of a clip are averaged at the most: their noise is an eighth
// of a frame's.
const referenceFrames = 64

// middle returns the frames of a clip that a reference plate is of, spread over its middle half:
// while a camera is started and stopped by hand it shakes, and somebody walks out of the frame.
func middle(seq Sequence) Sequence {
	if len(seq) < 8 { // made, not recorded
		return seq
	}
	return list.Spread(seq[len(seq)/4:len(seq)-len(seq)/4], referenceFrames)
}

// mean averages the frames of a reference plate, plane by plane.
func (r reference) mean() error {
	var sum []*plate.Gray
	for _, f := range r.seq {
		planes, err := r.read(f.Path)
		if err != nil {
			return err
		}
		if err := sized(f.Path, r.what, planes[0].Size(), r.size); err != nil {
			return err
		}
		if sum == nil {
			sum = planes
			continue
		}
		for c, p := range planes {
			for i, v := range p.Pix {
				sum[c].Pix[i] += v
			}
		}
	}
	if n := float32(len(r.seq)); n > 1 {
		for _, p := range sum {
			for i := range p.Pix {
				p.Pix[i] /= n
			}
		}
	}
	r.done(sum)
	return nil
}

// ReadColor reads the color plate of a pair, in linear light.
func (t *Take) ReadColor(p FilePair) (*plate.RGB, error) { return t.readColor(nil, p) }

// ReadBand reads the band plate of a pair, in linear light, as it was shot.
func (t *Take) ReadBand(p FilePair) (*plate.Gray, error) { return t.readBand(nil, p) }

// A Registration is the geometry of a take and how well it is known.
type Registration struct {
	Geometry align.Geometry
	Residual float64 // pixels, as align.Estimate has it; 0 where the geometry was not estimated
	Model    string  // as align.Estimate has it; "given" or "none"
	Warnings []string

	// The estimate that the geometry is from; both are nil where it was given.
	Estimate *align.Estimate
	Chart    *align.ChartEstimate

	// Suspicions are those of the warnings by which a file is not what it is called: a clean plate
	// with somebody in it, a dark plate with light on it, one of another setting.
	Suspicions []string

	curves func(context.Context) ([]string, error) // the test that Take.CurvesLater left; nil: none is left
}

// Curves returns what Take.CurvesLater has left: suspicions that files are read by a wrong curve.
// They are not among the job's. It returns none where the test is done already, or was not to be.
func (j *Job) Curves(ctx context.Context) ([]string, error) {
	if j.curves == nil {
		return nil, nil
	}
	defer j.files.Rest()
	return j.curves(ctx)
}

// registrationSamples is how many frames the geometry is estimated from at first: the rig is rigid,
// and each frame shows the performer elsewhere.
const registrationSamples = 4

// Register finds the geometry that the recipe asks for. Its warnings name the frames too that could
// not be read for the estimates so far.
func (t *Take) Register(ctx context.Context) (Registration, error) {
	defer t.files.Rest()
	r, err := t.register(ctx)
	r.Warnings = append(r.Warnings, t.warnings...)
	return r, err
}

func (t *Take) register(ctx context.Context) (Registration, error) {
	g := t.recipe.Geometry
	switch g.Mode {
	case "none":
		if t.colorSize != t.bandSize {
			return Registration{}, fmt.Errorf("%s has %dx%d pixels and %s has %dx%d: plates of different sizes need a geometry (auto, or a file from `twinplate register`)",
				t.Pairs[0].Color, t.colorSize.X, t.colorSize.Y, t.Pairs[0].Band, t.bandSize.X, t.bandSize.Y)
		}
		return Registration{Geometry: align.Identity(t.colorSize.X, t.colorSize.Y), Model: "none"}, nil
	case "file":
		v, err := ReadGeometry(g.File)
		if err != nil {
			return Registration{}, err
		}
		return t.given(v, g.File)
	case "given":
		return t.given(g.Value, "the recipe's geometry")
	}
	t.stage("the geometry between the cameras")
	read, pairs, seen, err := t.registrationPairs(ctx, t.whole, true)
	if err != nil {
		return Registration{}, err
	}
	more := func(ctx context.Context) ([]align.Pair, error) {
		if t.FewFrames {
			return nil, nil
		}
		rest := list.Where(t.whole, func(p FilePair) bool {
			return t.damaged[p.Number] == nil && !slices.ContainsFunc(read, func(q FilePair) bool { return q.Number == p.Number })
		})
		if len(rest) == 0 {
			return nil, nil
		}
		of, pairs, _, err := t.registrationPairs(ctx, rest, false)
		if err != nil {
			return nil, ctx.Err() // a frame that cannot be read fails in its turn
		}
		read = append(read, of...)
		return pairs, nil
	}
	var suspicions []string
	var e *align.Estimate
	var exchanged error
	within, cancel := context.WithCancel(ctx)
	defer cancel()
	parallel.Do(func() {
		if t.draft {
			return
		}
		if suspicions, exchanged = t.suspect(seen, t.darkBand, t.cleanBand); exchanged != nil {
			cancel()
		}
	}, func() {
		e, err = align.FromFootage(within, pairs, &align.FootageOptions{Mirror: parities[t.recipe.Parity], Rough: t.draft, More: more})
	})
	if exchanged != nil {
		return Registration{}, exchanged
	}
	if err != nil {
		return Registration{}, suspected(fmt.Errorf("%s and %s: %w", t.recipe.Color, t.recipe.Band, err), suspicions)
	}
	curves := func(ctx context.Context) ([]string, error) { return t.misread(ctx, seen, e) }
	if len(suspicions) > 0 || t.draft {
		curves = nil
	} else if !t.CurvesLater {
		if suspicions, err = curves(ctx); err != nil {
			return Registration{}, err
		}
		curves = nil
	}
	for i, w := range e.Warnings {
		e.Warnings[i] = strings.Replace(w, "check the parity by eye, or give it,", "check the parity by eye, or give it (--parity mirrored, or straight),", 1)
	}
	return Registration{Geometry: e.Geometry, Residual: e.Residual, Model: e.Model, Warnings: slices.Concat(suspicions, e.Warnings), Estimate: e, Suspicions: suspicions, curves: curves}, nil
}

// Residual returns how far the take's outlines are apart by a geometry, in pixels, as
// align.Residual has it, or NaN where no outline is seen in both plates.
func (t *Take) Residual(ctx context.Context, g align.Geometry) (float64, error) {
	defer t.files.Rest()
	_, pairs, _, err := t.registrationPairs(ctx, t.whole, false)
	if err != nil {
		return 0, err
	}
	residual, err := align.Residual(ctx, pairs, g)
	if err != nil && ctx.Err() == nil {
		return math.NaN(), nil
	}
	return residual, err
}

// flat returns the band plate without the dark plate, where there is one, and divided by the field,
// where there is one, so that an uneven screen does not disturb the registration.
func flat(band, dark, field *plate.Gray) *plate.Gray {
	out := matte.SubtractGray(nil, band, dark)
	if field != nil {
		parallel.Rows(field.W, field.H, func(y0, y1 int) {
			to := out.Pix[y0*field.W : y1*field.W]
			for i, v := range field.Pix[y0*field.W : y1*field.W] {
				to[i] /= v
			}
		})
	}
	return out
}

// screenField returns what flat divides by: the clean band plate without the dark one. It is nil
// where there is none, or where the screen ends within the frame: what stands beside it would come
// up to the screen's light, and registration has a smooth screen of its own.
func screenField(black, clean *plate.Gray) *plate.Gray {
	if clean == nil {
		return nil
	}
	// It ends where more than a part of the plate is more than two stops below the brightest. Chosen
	// by hand.
	const (
		dim  = 1. / 4
		part = 0.03
	)
	field := matte.SubtractGray(nil, clean, black)
	row := func(y int) []float32 { return field.Pix[y*field.W : (y+1)*field.W] }
	tops, dark := make([]float32, field.H), make([]int, field.H)
	parallel.EachRow(field.W, field.H, func(y int) { tops[y] = slices.Max(row(y)) })
	least := dim * slices.Max(tops)
	parallel.EachRow(field.W, field.H, func(y int) {
		for x, v := range row(y) {
			if v < least {
				row(y)[x] = least
				dark[y]++
			}
		}
	})
	n := 0
	for _, v := range dark {
		n += v
	}
	if float64(n) > part*float64(len(field.Pix)) {
		return nil
	}
	return field
}

func (t *Take) given(g align.Geometry, from string) (Registration, error) {
	if image.Pt(g.ColorW, g.ColorH) != t.colorSize || image.Pt(g.BandW, g.BandH) != t.bandSize {
		return Registration{}, fmt.Errorf("%s: it is for plates of %dx%d (color) and %dx%d (band) pixels, and the take has %dx%d and %dx%d", from,
			g.ColorW, g.ColorH, g.BandW, g.BandH, t.colorSize.X, t.colorSize.Y, t.bandSize.X, t.bandSize.Y)
	}
	return Registration{Geometry: g, Model: "given"}, nil
}

// ReadGeometry reads a geometry from a JSON file: the geometry itself, or any object that has it
// under "geometry", as `twinplate register` writes.
func ReadGeometry(path string) (align.Geometry, error) {
	var g align.Geometry
	data, err := readSmall(path)
	if err != nil {
		return g, err
	}
	var wrapped struct {
		Geometry json.RawMessage `json:"geometry"`
	}
	if err := json.Unmarshal(data, &wrapped); err != nil {
		return g, fmt.Errorf("%s: not a geometry file: %w", path, describe(err, data))
	}
	if wrapped.Geometry != nil {
		data = wrapped.Geometry
	}
	if err := json.Unmarshal(data, &g); err != nil {
		return g, fmt.Errorf("%s: %w", path, errors.New(strings.TrimPrefix(err.Error(), "json: ")))
	}
	return g, nil
}
