// Package dataset writes training sets from takes: for each frame the plates, the foreground, alpha
// and its noise, and composites over several backgrounds, with a manifest, a split by take, and a
// data card.
//
// A data set is a folder:
//
//	manifest.jsonl                 a line of JSON a frame: Sample
//	card.md                        the data card
//	takes/NAME/recipe.json         what was found for the take
//	takes/NAME/color/0001.png      the color plate
//	takes/NAME/band/0001.png       the band plate, in the color camera's frame
//	takes/NAME/foreground/0001.png premultiplied
//	takes/NAME/straight/0001.png   the same divided by alpha
//	takes/NAME/alpha/0001.png      and sigma/0001.png, its standard deviation
//	takes/NAME/comp/SEA/0001.png   over a background
//	takes/NAME/background/SEA/0001.png
//
// The manifest is there once all of it is; while Write works there is manifest.jsonl.part, from
// which the next Write goes on. Every file is written whole or not at all.
package dataset

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"

	"example.com/twinplate/internal/parallel"
	"example.com/twinplate/plate"
	"example.com/twinplate/take"
)

// A Source is a take that a data set is made from. Of its recipe, what to write and how is not
// used, the transmission is always clamped, and the background is used where Options has none.
type Source struct {
	Name   string // of its folder, each its own
	Recipe take.Recipe
}

// Options say how a data set is made. The zero value means the defaults.
type Options struct {
	// Backgrounds are files, folders or globs. Each gives one composite a frame; the pictures of a
	// folder are used in turn, from the first in each take. Empty: the recipes' own.
	Backgrounds []string
	// BackgroundCurve is their transfer curve. Empty: the recipe's for its own, otherwise what a
	// picture's tags say, or srgb. Their primaries are those of their tags, or those that the take
	// is worked in.
	BackgroundCurve string

	Shares           Shares   // of the splits; the zero value is 80, 10, 10
	Validation, Test []string // names of takes; where there are any, all others are for training and Shares are not used

	Every  int    // use each so-many-th frame; 0: all
	Format string // "png" (default) or "exr"
	Depth  int    // bits of a value, 8 or 16 (default), with exr 16 (default) or 32. Sigma has never fewer than 16
	Curve  string // transfer curve of what holds light; empty: srgb, with exr always linear. Alpha and sigma are linear

	Program  string                // what made the data set, and its version, for the card
	Jobs     int                   // frames worked on at once, which bounds the memory; 0: as many as there are cores
	Progress func(done, total int) // called after each frame, one call at a time
}

// Check returns an error that names the first option that cannot be used. It opens no file.
func (o *Options) Check() error {
	if o.Every < 0 {
		return fmt.Errorf("every %d frames: it must be 1 or more", o.Every)
	}
	_, err := o.format()
	return err
}

// Names of the files of a data set.
const (
	Manifest = "manifest.jsonl"
	Card     = "card.md"

	part = Manifest + ".part"
)

// An Omission is a frame that is not in the data set.
type Omission struct {
	Take string
	take.Failure
}

// A Summary says what Write did.
type Summary struct {
	Samples map[string]int // by split
	Kept    int            // of them, that were there already
	Failed  []Omission
	Notes   []string // what the user should know
}

// Write makes a data set in the folder dir from takes. The folder must be new, empty, or a data
// set: then what is in it is kept where it is what would be written (by the files' hashes, those of
// the sources among them) and replaced where not, and files of frames that are no longer asked for
// are removed.
//
// A frame that fails is left out and is in the report. An error means that there is no data set, or
// that ctx was canceled; the next Write goes on from there.
func Write(ctx context.Context, dir string, sources []Source, opt *Options) (*Summary, error) {
	opt = cmp.Or(opt, &Options{})
	w, err := newWriter(ctx, dir, sources, opt)
	if err != nil {
		return nil, err
	}
	defer w.journal.close()
	for _, s := range w.shoots {
		if err := w.shoot(ctx, s); err != nil {
			return nil, err
		}
	}
	return w.finish()
}

// A writer is a data set in the making.
type writer struct {
	dir     string
	opt     *Options
	out     format
	shoots  []*shoot
	journal *journal

	mu     sync.Mutex // guards what is below, and the journal
	report Summary
	done   []Entry
	frames int // that are done or have failed
	total  int
}

// A shoot is a source, looked at.
type shoot struct {
	Source
	split       string
	key         string          // of all that the take's files are made from
	primaries   plate.Primaries // that it is worked in
	backgrounds []background
	pairs       []take.FilePair // of the frames that are asked for
	hashes      map[string]string
	fileOf      func(path string) string // as take.Take.FileOf
}

// A background is the pictures of one of Options.Backgrounds.
type background struct {
	name             string
	paths            []string
	curve, primaries string // empty: by the pictures' tags
}

// read reads one of its pictures in linear light of the primaries to.
func (b *background) read(path string, to plate.Primaries) (*plate.RGB, error) {
	info, err := plate.Probe(path)
	if err != nil {
		return nil, err
	}
	curve, from := plate.SRGB, to
	if b.curve != "" {
		if curve, err = plate.FindCurve(b.curve); err != nil {
			return nil, err
		}
	} else if tagged, err := plate.CurveByName(info.Curve); err == nil && info.Curve != "" {
		curve = tagged
	}
	if b.primaries != "" {
		if from, err = plate.PrimariesByName(b.primaries); err != nil {
			return nil, err
		}
	} else if info.Primaries != (plate.Primaries{}) {
		from = info.Primaries
	}
	f, err := plate.ReadRGB(path, curve, nil)
	if err == nil && !from.Near(to) {
		f.Multiply(from.To(to))
	}
	return f, err
}

func newWriter(ctx context.Context, dir string, sources []Source, opt *Options) (*writer, error) {
	w := &writer{dir: dir, opt: opt, report: Summary{Samples: map[string]int{}}}
	if err := opt.Check(); err != nil {
		return nil, err
	}
	w.out, _ = opt.format() // which Check has looked at
	var names []string
	for _, s := range sources {
		if err := checkName(s.Name); err != nil {
			return nil, err
		}
		if slices.Contains(names, s.Name) {
			return nil, fmt.Errorf("two takes are called %s: each must have a name of its own", s.Name)
		}
		names = append(names, s.Name)
	}
	splits, err := opt.split(names)
	if err != nil {
		return nil, err
	}
	for _, s := range sources {
		x, err := w.look(ctx, s)
		if err != nil {
			return nil, fmt.Errorf("take %s: %w", s.Name, err)
		}
		x.split = splits[s.Name]
		w.total += len(x.pairs)
		w.shoots = append(w.shoots, x)
	}
	w.journal, err = openJournal(dir)
	return w, err
}

// checkName reports whether a take's name can be that of a folder everywhere.
func checkName(name string) error {
	const longest = 100 // bytes: file systems take 255, and some archives 100 (common practice)
	if name == "" || strings.HasPrefix(name, ".") || strings.ContainsAny(name, `/\:*?"<>|`) || len(name) > longest {
		return fmt.Errorf("a take cannot be called %q: its name is that of a folder", name)
	}
	return nil
}

// look opens a take to see that it can be, and takes the key of what it is made from.
func (w *writer) look(ctx context.Context, s Source) (*shoot, error) {
	x := &shoot{Source: s}
	r := &x.Recipe
	own := *r
	r.Background, r.BackgroundCurve, r.BackgroundPrimaries, r.OutputCurve, r.OutputTransform = "", "", "", "", ""
	r.Write, r.Format, r.Depth, r.Layers, r.Clamp = []string{"sigma"}, "", 0, nil, ""
	x.primaries = plate.PrimariesBT709
	if r.Primaries != "" {
		var err error
		if x.primaries, err = plate.PrimariesByName(r.Primaries); err != nil {
			return nil, err
		}
	}
	opened, err := take.OpenContext(ctx, *r)
	if err != nil {
		return nil, err
	}
	for i := 0; i < len(opened.Pairs); i += max(w.opt.Every, 1) {
		x.pairs = append(x.pairs, opened.Pairs[i])
	}
	x.fileOf = opened.FileOf
	if err := x.back(w.opt, own); err != nil {
		return nil, err
	}
	return x, x.hash(ctx, w, opened.Pairs)
}

// back finds the backgrounds.
func (x *shoot) back(opt *Options, own take.Recipe) error {
	paths, curve, primaries := opt.Backgrounds, opt.BackgroundCurve, ""
	if len(paths) == 0 {
		if own.Background == "" {
			return errors.New("no background is given, and its recipe has none")
		}
		paths, primaries = []string{own.Background}, own.BackgroundPrimaries
		curve = cmp.Or(curve, own.BackgroundCurve)
	}
	if curve != "" {
		if _, err := plate.FindCurve(curve); err != nil {
			return fmt.Errorf("background curve: %w", err)
		}
	}
	used := map[string]int{}
	for _, p := range paths {
		files, err := take.Files(p)
		if err != nil {
			return fmt.Errorf("background: %w", err)
		}
		if _, err := plate.Probe(files[0]); err != nil { // all would fail
			return fmt.Errorf("background: %w", err)
		}
		name := filepath.Base(filepath.Clean(p))
		if strings.ContainsAny(name, "*?[") {
			name = filepath.Base(filepath.Dir(p))
		}
		if name = strings.TrimSuffix(name, filepath.Ext(name)); checkName(name) != nil {
			name = "background"
		}
		if used[name]++; used[name] > 1 {
			name = fmt.Sprintf("%s-%d", name, used[name])
		}
		x.backgrounds = append(x.backgrounds, background{name, files, curve, primaries})
	}
	return nil
}

// shoot writes the samples of a take.
func (w *writer) shoot(ctx context.Context, x *shoot) error {
	var todo []int
	for i, p := range x.pairs {
		if err := ctx.Err(); err != nil {
			return err
		}
		if s, ok := w.journal.find(x, p.Number); ok {
			s.Split = x.split
			w.add(s, true)
		} else {
			todo = append(todo, i)
		}
	}
	if len(todo) == 0 {
		return nil
	}
	m, err := w.prepare(ctx, x)
	if err != nil {
		return fmt.Errorf("take %s: %w", x.Name, err)
	}
	workers := sync.Pool{New: func() any { return m.worker() }}
	return parallel.Try(ctx, len(todo), w.opt.Jobs, func(n int) error {
		k := workers.Get().(*worker)
		defer workers.Put(k)
		s, err := k.sample(todo[n])
		if err == nil {
			return w.add(s, false)
		}
		w.fail(x.Name, x.pairs[todo[n]].Number, err)
		return nil
	})
}

// add counts a sample that is on disk.
func (w *writer) add(s Entry, kept bool) error {
	w.mu.Lock()
	defer w.mu.Unlock()
	if !kept {
		if err := w.journal.append(s); err != nil {
			return err
		}
	} else {
		w.report.Kept++
	}
	w.report.Samples[s.Split]++
	w.done = append(w.done, s)
	w.step()
	return nil
}

func (w *writer) fail(name string, frame int, err error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.report.Failed = append(w.report.Failed, Omission{name, take.Failure{Frame: frame, Error: err.Error()}})
	w.step()
}

func (w *writer) step() {
	w.frames++
	if w.opt.Progress != nil {
		w.opt.Progress(w.frames, w.total)
	}
}

// finish writes the manifest and the card, and removes what is left over from before.
func (w *writer) finish() (*Summary, error) {
	order := func(name string) int {
		return slices.IndexFunc(w.shoots, func(x *shoot) bool { return x.Name == name })
	}
	slices.SortFunc(w.done, func(a, b Entry) int { return cmp.Or(order(a.Take)-order(b.Take), a.Frame-b.Frame) })
	slices.SortFunc(w.report.Failed, func(a, b Omission) int { return cmp.Or(order(a.Take)-order(b.Take), a.Frame-b.Frame) })
	if len(w.done) == 0 {
		return nil, fmt.Errorf("every frame failed, the first, %d of %s, with: %s", w.report.Failed[0].Frame, w.report.Failed[0].Take, w.report.Failed[0].Error)
	}
	for _, split := range Splits {
		for _, x := range w.shoots {
			if x.split == split && w.report.Samples[split] == 0 {
				return nil, fmt.Errorf("every frame for %s failed, the first, %d of %s, with: %s", split, w.report.Failed[0].Frame, w.report.Failed[0].Take, w.report.Failed[0].Error)
			}
		}
	}
	if err := plate.WriteAtomic(filepath.Join(w.dir, Card), w.card); err != nil {
		return nil, err
	}
	w.journal.removeOthers(w.done)
	if err := writeManifest(filepath.Join(w.dir, Manifest), w.done); err != nil {
		return nil, err
	}
	w.journal.close()
	return &w.report, os.Remove(filepath.Join(w.dir, part))
}
