package proof

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime/debug"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"example.com/twinplate/align"
	"example.com/twinplate/internal/app/film"
	"example.com/twinplate/plate"
	"example.com/twinplate/take"
)

// FilmOptions say where and how large takes of another origin are drawn. The zero value means
// the defaults.
type FilmOptions struct {
	Script string // the script that draws them; "": testdata/footage/film.py under the working folder
	Python string // that runs it, with NumPy, OpenCV and scikit-image; "": Debian's, /usr/bin/python3
	W, H   int    // of all color plates; 0: mixed, from 640x360 to 4096x2160
	Frames int    // of all takes; 0: mixed, from 1 to 16
}

// filled returns the options with the defaults in them.
func (o *FilmOptions) filled() (f FilmOptions) {
	f = *cmp.Or(o, &FilmOptions{})
	f.Script = cmp.Or(f.Script, filepath.Join("testdata", "footage", "film.py"))
	f.Python = cmp.Or(f.Python, film.Python)
	return f
}

// A FootageTake is what the script is told to draw: its head says what each word means.
type FootageTake struct {
	Seed      uint64   `json:"seed"`
	W         int      `json:"width"` // of the color plate
	H         int      `json:"height"`
	Frames    int      `json:"frames"`
	Performer string   `json:"performer"`
	Tall      float64  `json:"tall"` // the performer, in parts of the frame's height
	Leaves    bool     `json:"leaves"`
	Photo     string   `json:"photo"`
	Light     string   `json:"light"`
	Faults    []string `json:"faults"`
	Leak      float64  `json:"leak"`  // the largest of m
	Noise     float64  `json:"noise"` // standard deviation at full scale
	Curve     string   `json:"curve"`
	Codec     string   `json:"codec"`
	Without   []string `json:"without"` // reference plates that nobody shot
}

// args are the script's, after the folder.
func (t FootageTake) args() []string {
	number := func(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) }
	args := []string{"--seed", strconv.FormatUint(t.Seed, 10), "--size", fmt.Sprintf("%dx%d", t.W, t.H), "--frames", strconv.Itoa(t.Frames),
		"--performer", t.Performer, "--height", number(t.Tall), "--photo", t.Photo, "--light", t.Light, "--fault", strings.Join(t.Faults, ","),
		"--leak", number(t.Leak), "--noise", number(t.Noise), "--curve", t.Curve, "--codec", t.Codec, "--without", strings.Join(t.Without, ",")}
	if t.Leaves {
		args = append(args, "--leaves")
	}
	return args
}

// String says what the take is, for a table.
func (t FootageTake) String() string {
	who := fmt.Sprintf("%s %g", t.Performer, t.Tall)
	if t.Performer == "none" {
		who = "nobody"
	} else if t.Leaves {
		who += " leaves"
	}
	s := fmt.Sprintf("%dx%d %df %s %s %s m%g n%g %s", t.W, t.H, t.Frames, who, t.Photo, t.Light, t.Leak, t.Noise, t.Codec)
	for _, w := range t.Without {
		s += " -" + w
	}
	if len(t.Faults) > 0 {
		s += " " + strings.Join(t.Faults, "+")
	}
	return s
}

func (t FootageTake) has(fault string) bool { return slices.Contains(t.Faults, fault) }

// A deck deals its cards in random order, all of them before any comes again.
type deck[T any] struct {
	cards, left []T
}

func (d *deck[T]) deal(r *rand.Rand) T {
	if len(d.left) == 0 {
		d.left = slices.Clone(d.cards)
		r.Shuffle(len(d.left), func(i, j int) { d.left[i], d.left[j] = d.left[j], d.left[i] })
	}
	card := d.left[0]
	d.left = d.left[1:]
	return card
}

func deckOf[T any](cards ...T) *deck[T] { return &deck[T]{cards: cards} }

// FootageMatrix returns n takes that spread over lights, faults, codecs, sizes and performers: each
// of these comes up about as often as in any other n takes, and how they meet is the seed's.
func FootageMatrix(n int, seed uint64, opt *FilmOptions) []FootageTake {
	o := opt.filled()
	r := rand.New(rand.NewPCG(seed, 0xf007))
	var (
		lights     = deckOf("flat", "side", "photo")
		photos     = deckOf("chelsea", "coffee", "rocket", "stereo_motorcycle", "immunohistochemistry", "brick", "gravel", "grass", "plain")
		performers = deckOf("figure", "figure", "figure", "figure", "figure", "shape", "shape", "shape", "shape", "symmetric", "symmetric", "none")
		tall       = deckOf(0.1, 0.25, 0.4, 0.55, 0.7, 0.8, 0.9)
		leaves     = deckOf(true, false, false, false, false, false, false, false)
		sizes      = deckOf([2]int{640, 360}, [2]int{640, 360}, [2]int{960, 540}, [2]int{960, 540}, [2]int{960, 540}, [2]int{1280, 720}, [2]int{1280, 720}, [2]int{1920, 1080}, [2]int{1920, 1080}, [2]int{4096, 2160})
		frames     = deckOf(1, 2, 3, 4, 4, 4, 5, 6, 8, 16)
		leaks      = deckOf(0.0005, 0.001, 0.003, 0.006, 0.01, 0.015, 0.02, 0.03, 0.04)
		noises     = deckOf(0.005, 0.01, 0.01, 0.02)
		curves     = deckOf("linear", "srgb")
		codecs     = deckOf("png", "png", "png", "png", "png", "png", "h264-18", "h264-23", "hevc", "prores")
		plates     = deckOf("", "", "", "", "dark", "clean", "clean,dark")
		// Half of the takes have no fault at all, and one in ten has two.
		faults = deckOf("", "", "", "", "", "", "", "", "", "", "", "", "", "", "", "",
			"lateral", "axial", "mosaic", "bandmosaic", "soft", "rolling", "partial", "spill", "lowband", "shake,soft", "distort", "pedestal", "bandpicture", "exchanged", "standin", "curve", "partial,lateral", "rolling,mosaic", "shake")
	)
	words := func(s string) []string { return strings.FieldsFunc(s, func(c rune) bool { return c == ',' }) }
	all := make([]FootageTake, n)
	for i := range all {
		size := sizes.deal(r)
		t := FootageTake{
			Seed: seed + uint64(i), W: size[0], H: size[1], Frames: frames.deal(r), Performer: performers.deal(r), Tall: tall.deal(r), Leaves: leaves.deal(r),
			Photo: photos.deal(r), Light: lights.deal(r), Faults: words(faults.deal(r)), Leak: leaks.deal(r), Noise: noises.deal(r),
			Curve: curves.deal(r), Codec: codecs.deal(r), Without: words(plates.deal(r)),
		}
		if o.W > 0 {
			t.W, t.H = o.W, o.H
		}
		t.Frames = min(t.Frames, max(2, 16*1280*720/(t.W*t.H))) // the largest takes are short ones
		if o.Frames > 0 {
			t.Frames = o.Frames
		}
		if t.Leaves && t.Frames < 3 {
			t.Leaves = false
		}
		all[i] = t
	}
	return all
}

// A FootageLine is one take of another origin: what the job made of it. What could not be measured
// is -1.
type FootageLine struct {
	FootageTake
	TextureBound float64 `json:"texture_bound_px"` // with which error the core's texture in the files tells a displacement

	// The geometry's errors, as root mean squares in band pixels. Edges are pixels before the screen
	// with alpha from 0.05 to 0.95. Of a single frame the true place is that frame's: see place.
	Edges       float64 `json:"edges_px"`
	Stated      float64 `json:"stated_edges_px"` // what the estimate says of it
	Frame       float64 `json:"frame_px"`        // over the whole frame, most of which is extrapolated
	StatedFrame float64 `json:"stated_frame_px"`

	// The matte's error, as RMS of alpha over what the files' noise gives it when all else is
	// known.
	Matte      float64 `json:"matte"`
	MatteEdges float64 `json:"matte_edges"`
	Floor      float64 `json:"floor"` // that noise, over the frame

	// The matte's error over the stated sigma, both as root mean squares.
	OpenZ float64 `json:"z_open"`
	CoreZ float64 `json:"z_core"`
	EdgeZ float64 `json:"z_edges"`

	Warnings []Warning `json:"warnings"`
	Refused  string    `json:"refused,omitempty"` // the error that the job ended with
	Panic    string    `json:"panic,omitempty"`   // with the place
	Seconds  float64   `json:"seconds"`           // for the job and check

	Verdict Outcome  `json:"verdict"`
	Why     []string `json:"why"` // what the verdict is for, unless it is good
}

// Footage draws the take in a folder of its own, which is removed again, does the job and the check
// on it as a user would, and measures what comes of it. The error is the script's or ctx's: what
// the job does wrong is in the line.
func Footage(ctx context.Context, t FootageTake, opt *FilmOptions) (FootageLine, error) {
	o := opt.filled()
	dir, err := os.MkdirTemp("", "twinplate-proof-*")
	if err != nil {
		return FootageLine{}, err
	}
	defer os.RemoveAll(dir)
	if err := film.Draw(ctx, o.Python, o.Script, dir, t.args()...); err != nil {
		return FootageLine{}, err
	}
	r, err := take.ReadRecipe(filepath.Join(dir, "recipe.json"))
	if err != nil {
		return FootageLine{}, err
	}
	r.Beyond, r.Write, r.Clamp = "outside", []string{"matte", "sigma"}, "none"
	return measureFootage(ctx, t, dir, r)
}

// trueGeometry returns what the script says that it is.
func trueGeometry(t *film.Facts) align.Geometry {
	return align.Geometry{ColorW: t.ColorSize[0], ColorH: t.ColorSize[1], BandW: t.BandSize[0], BandH: t.BandSize[1], Mirror: t.Mirror, Homography: t.Homography, Radial: [2]float64{t.Radial}, Center: t.Center}
}

// place returns where a color pixel is in the band plate. Of a single frame that is where this
// frame has it, with what a rolling shutter does to the performer: nothing tells that from a
// geometry, and nothing else is to be made by it.
func place(t FootageTake, truth *film.Facts) func(x, y float64) (float64, float64) {
	g := trueGeometry(truth)
	if t.Frames > 1 || !t.has("rolling") {
		return g.Map
	}
	v := truth.Motion[0]
	return func(x, y float64) (float64, float64) {
		part := y/float64(g.ColorH) - 0.5
		return g.Map(x+v[0]*part, y+v[1]*part)
	}
}

// measureFootage does the job by a recipe on the take that was drawn into dir.
func measureFootage(ctx context.Context, t FootageTake, dir string, r take.Recipe) (FootageLine, error) {
	l := FootageLine{FootageTake: t, Edges: -1, Stated: -1, Frame: -1, StatedFrame: -1, Matte: -1, MatteEdges: -1, Floor: -1, OpenZ: -1, CoreZ: -1, EdgeZ: -1}
	truth, err := film.ReadTruth(dir)
	if err != nil {
		return l, err
	}
	l.TextureBound = truth.TextureBound
	start := time.Now()
	jobErr := recovered(func() error { return l.job(ctx, dir, r, &truth) })
	checkErr := recovered(func() error { return l.check(ctx, r) })
	l.Seconds = time.Since(start).Seconds()
	if ctx.Err() != nil {
		return l, ctx.Err()
	}
	for _, err := range []error{jobErr, checkErr} {
		var p *panicError
		switch {
		case errors.As(err, &p):
			l.Panic += p.Error() + "; "
		case err != nil && l.Refused == "":
			l.Refused = strings.ReplaceAll(err.Error(), dir+string(filepath.Separator), "")
		}
	}
	l.Verdict, l.Why = l.judge()
	return l, nil
}

// A panicError is a panic that was recovered, and where it was.
type panicError struct {
	value any
	where string
}

func (e *panicError) Error() string { return fmt.Sprintf("panic: %v, in %s", e.value, e.where) }

// recovered calls f, and makes an error of its panic. One in a goroutine of f's that nothing passes
// on still ends the program: there is no way to outlive that.
func recovered(f func() error) (err error) {
	defer func() {
		if v := recover(); v != nil {
			where := "an unknown place"
			stack := string(debug.Stack())
			// The first call of the project's after the panic.
			_, after, _ := strings.Cut(stack, "panic(")
			for line := range strings.Lines(after) {
				if strings.HasPrefix(line, "example.com/twinplate/") {
					where = strings.TrimSpace(line[:max(strings.LastIndexByte(line, '('), 1)])
					break
				}
			}
			err = &panicError{v, where}
		}
	}()
	return f()
}

// job prepares and runs the take, and measures it.
func (l *FootageLine) job(ctx context.Context, dir string, r take.Recipe, truth *film.Facts) error {
	opened, err := take.OpenContext(ctx, r)
	if err != nil {
		return err
	}
	defer opened.Close()
	job, err := opened.Prepare(ctx)
	if err != nil {
		return err
	}
	l.hear("job", job.Warnings...)
	l.hear("timing", job.Timing.Warnings...)
	l.hear("note", job.Notes...)
	want := place(l.FootageTake, truth)
	var off, stated Squares
	for _, p := range job.Geometry.Grid(33) {
		x, y := want(p.Color[0], p.Color[1])
		off.Add(math.Hypot(x-p.Band[0], y-p.Band[1]))
		if job.Estimate != nil {
			stated.Add(job.Estimate.Sigma(p.Color[0], p.Color[1]))
		}
	}
	l.Frame, l.StatedFrame = off.rms(), stated.rms()
	var sums footageSums
	report, err := job.Run(ctx, &take.RunOptions{Each: func(x *take.Result) error {
		return sums.frame(x, job, dir, want, truth.FloorScale)
	}})
	if err != nil {
		return err
	}
	if len(report.Failed) > 0 {
		return fmt.Errorf("frame %d: %s", report.Failed[0].Frame, report.Failed[0].Error)
	}
	if len(report.Crossed) > 0 {
		l.hear("border", fmt.Sprintf("the performer is at the screen's border in frames %s", take.Ranges(report.Crossed)))
	}
	l.Edges, l.Stated = sums.moved.rms(), sums.stated.rms()
	l.Matte, l.Floor = over(sums.matte, sums.floor), sums.floor.rms()
	l.MatteEdges = over(sums.edges.err, sums.edgesFloor)
	l.OpenZ, l.CoreZ, l.EdgeZ = over(sums.open.err, sums.open.sigma), over(sums.core.err, sums.core.sigma), over(sums.edges.err, sums.edges.sigma)
	return nil
}

// check reads the take as a test shot, and hears what its readings warn of.
func (l *FootageLine) check(ctx context.Context, r take.Recipe) error {
	opened, err := take.OpenContext(ctx, r)
	if err != nil {
		return err
	}
	defer opened.Close()
	read, err := opened.Check(ctx, nil)
	if err != nil {
		return err
	}
	for _, x := range read.Readings {
		if x.Verdict.Wrong() {
			l.hear("check "+x.Name, x.Meaning)
		}
	}
	return nil
}

// hear adds warnings that are not there yet.
func (l *FootageLine) hear(from string, texts ...string) {
	for _, text := range texts {
		if !slices.ContainsFunc(l.Warnings, func(w Warning) bool { return w.Text == text }) {
			l.Warnings = append(l.Warnings, Warning{from, text})
		}
	}
}

// rms is RMS, but -1 where nothing was added.
func (s Squares) rms() float64 {
	if s.n == 0 {
		return -1
	}
	return s.RMS()
}

// over returns the ratio of two root mean squares, or -1 where there is none.
func over(a, b Squares) float64 {
	if a.n == 0 || b.sum == 0 {
		return -1
	}
	return a.rms() / b.rms()
}

// A zone is a part of the frame.
type zone struct{ err, sigma Squares }

func (z *zone) join(o zone) {
	z.err.Join(o.err)
	z.sigma.Join(o.sigma)
}

// footageSums are the errors of a take.
type footageSums struct {
	mu                sync.Mutex
	moved, stated     Squares // of the geometry at edges
	matte, floor      Squares
	open, core, edges zone
	edgesFloor        Squares
}

// Where the truth has alpha from 0.05 to 0.95 is an edge. Open screen and core have it within
// 0.0005 of 0 and of 1, two pixels around as well, so that a geometry that is off does not count
// there.
const (
	edgeFrom, edgeTo = 0.05, 0.95
	certain          = 0.0005
	aroundPx         = 2
)

// frame adds a frame. It is safe for concurrent use.
func (s *footageSums) frame(x *take.Result, job *take.Job, dir string, want func(x, y float64) (float64, float64), floorScale float64) error {
	read := func(what string) (*plate.Gray, error) {
		return plate.ReadGray(filepath.Join(dir, "truth", fmt.Sprintf("%s.%04d.png", what, x.Number)), plate.Linear, nil, nil)
	}
	alpha, err := read("alpha")
	if err != nil {
		return err
	}
	floor, err := read("floor")
	if err != nil {
		return err
	}
	if err := plate.CheckSize("matte", x.Transmission.Size(), "truth", alpha.Size()); err != nil {
		return err
	}
	var f footageSums
	w, h := alpha.W, alpha.H
	around := func(px, py int, is func(float32) bool) bool {
		for _, y := range [3]int{max(py-aroundPx, 0), py, min(py+aroundPx, h-1)} {
			for _, x := range [3]int{max(px-aroundPx, 0), px, min(px+aroundPx, w-1)} {
				if !is(alpha.Pix[y*w+x]) {
					return false
				}
			}
		}
		return true
	}
	for y := range h {
		for px := range w {
			i := y*w + px
			a := float64(alpha.Pix[i])
			edge := a >= edgeFrom && a <= edgeTo
			if floor.Pix[i] >= 1 { // no screen is seen
				continue
			}
			if edge {
				tx, ty := want(float64(px), float64(y))
				ex, ey := job.Geometry.Map(float64(px), float64(y))
				f.moved.Add(math.Hypot(tx-ex, ty-ey))
				if job.Estimate != nil {
					f.stated.Add(job.Estimate.Sigma(float64(px), float64(y)))
				}
			}
			d, least := 1-float64(x.Transmission.Pix[i])-a, float64(floor.Pix[i])*floorScale
			f.matte.Add(d)
			f.floor.Add(least)
			if edge {
				f.edgesFloor.Add(least)
			}
			if x.Unmeasured != nil && x.Unmeasured.Pix[i] > 0 { // and the job says so
				continue
			}
			sigma := float64(x.Sigma.Pix[i])
			if !(sigma > 0) {
				if edge {
					f.edges.err.Add(d)
				}
				continue
			}
			var z *zone
			switch {
			case edge:
				z = &f.edges
			case a < certain && around(px, y, func(v float32) bool { return v < certain }):
				z = &f.open
			case a > 1-certain && around(px, y, func(v float32) bool { return v > 1-certain }):
				z = &f.core
			default:
				continue
			}
			z.err.Add(d)
			z.sigma.Add(sigma)
		}
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.moved.Join(f.moved)
	s.stated.Join(f.stated)
	s.matte.Join(f.matte)
	s.floor.Join(f.floor)
	s.edgesFloor.Join(f.edgesFloor)
	s.open.join(f.open)
	s.core.join(f.core)
	s.edges.join(f.edges)
	return nil
}
