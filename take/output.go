package take

import (
	"cmp"
	"errors"
	"fmt"
	"image"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"example.com/twinplate/internal/target"
	"example.com/twinplate/matte"
	"example.com/twinplate/plate"
	"example.com/twinplate/plate/exr"
)

// An OccupiedError says that the output folder has files of the names that a run would write, which
// were not made with its settings. The run has overwritten nothing.
type OccupiedError struct {
	First string // the path of one of them
	Files int    // how many there are
}

func (e *OccupiedError) Error() string {
	return fmt.Sprintf("%s: there already, and not made with these settings, reference plates and version of the program (%d such files): choose another output folder, or let them be replaced", e.First, e.Files)
}

// An output writes the products of each frame, and knows which are finished.
type output struct {
	job       *Job
	dir       string
	products  []string
	extension string
	options   map[string]*plate.WriteOptions
	log       *runLog
	lock      *target.Lock
	replace   bool
}

// extensions are those of the formats in a recipe.
var extensions = map[string]string{"": ".png", "png": ".png", "tiff": ".tif", "exr": ".exr"}

// newOutput makes the output folders, and looks at what is in them. It returns nil where nothing is
// to be written.
func (j *Job) newOutput(opt *RunOptions, pairs []FilePair) (*output, error) {
	if opt.Out == "" {
		return nil, nil
	}
	r := j.take.recipe
	o := &output{job: j, dir: opt.Out, products: slices.Clone(r.Write), extension: extensions[r.Format], options: map[string]*plate.WriteOptions{}, replace: opt.Replace}
	if len(o.products) == 0 {
		if j.backdrop != nil {
			o.products = []string{"comp"}
		} else if len(r.Layers) > 0 {
			o.products = []string{"foreground"}
		}
		if !slices.Contains(r.Layers, "matte") {
			o.products = append(o.products, "matte")
		}
	}
	if err := os.MkdirAll(o.dir, 0o777); err != nil {
		return nil, fmt.Errorf("the output folder cannot be made: %w", err)
	}
	if len(pairs) > 0 {
		var err error
		if o.lock, err = target.NewLock(o.dir, pairs[0].Number, pairs[len(pairs)-1].Number); err != nil {
			return nil, err
		}
	}
	if err := o.begin(opt, pairs); err != nil {
		o.lock.Release()
		return nil, err
	}
	return o, nil
}

// begin tries the folders and opens the log.
func (o *output) begin(opt *RunOptions, pairs []FilePair) error {
	j := o.job
	inputs := j.inputs()
	for _, product := range o.products {
		if product == "comp" && j.backdrop == nil {
			return errors.New("a comp is asked for and no background is given: give one, or write only matte, foreground or transmission")
		}
		o.options[product] = j.writeOptions(product)
		for _, p := range pairs {
			if err := inputs.Check(o.path(product, p.Number)); err != nil {
				return err
			}
		}
		if err := o.folder(filepath.Join(o.dir, product), pairs); err != nil {
			return err
		}
	}
	var err error
	if o.log, err = openLog(j, opt, pairs); err != nil {
		return err
	}
	if err := o.occupied(pairs); err != nil {
		o.log.close()
		return err
	}
	return nil
}

// close ends the writing.
func (o *output) close() {
	o.log.close()
	o.lock.Release()
}

// An Output says how the files of color that a job writes stand for light.
type Output struct {
	Format    string `json:"format"`
	Depth     int    `json:"depth"`
	Curve     string `json:"curve"`     // of comp and foreground; mattes are linear
	Primaries string `json:"primaries"` // their name, or chromaticities; empty by a transform, whose author knows them
}

// Output returns how the job's files stand for light.
func (j *Job) Output() Output {
	w, r := j.writeOptions("comp"), &j.take.recipe
	o := Output{cmp.Or(r.Format, "png"), cmp.Or(r.Depth, 16), w.Curve.Name(), w.Primaries.String()}
	if w.Curve.Coded() {
		o.Primaries = ""
	}
	return o
}

// String returns the output in words.
func (o Output) String() string {
	kind := "bits"
	if o.Format == "exr" {
		kind = "bits of floating point"
	}
	if o.Primaries == "" {
		return fmt.Sprintf("%s, %d %s; color is %s, mattes are linear", o.Format, o.Depth, kind, o.Curve)
	}
	return fmt.Sprintf("%s, %d %s; color has the curve %s and the primaries %s, mattes are linear", o.Format, o.Depth, kind, o.Curve, o.Primaries)
}

// writeOptions are those of a product's files, but for what changes from frame to frame.
func (j *Job) writeOptions(product string) *plate.WriteOptions {
	t := j.take
	o := &plate.WriteOptions{Depth: t.recipe.Depth, Primaries: t.primaries, Curve: plate.Linear}
	if t.recipe.Format == "exr" {
		o.FrameRate = rateFraction(t.recipe.FPS)
	} else if product == "comp" || product == "foreground" {
		o.Curve = t.outputCurve
	}
	return o
}

// folder makes a product's folder, tries whether it can be written to, and removes what a run that
// was killed has left there of the frames that are to be done.
func (o *output) folder(dir string, pairs []FilePair) error {
	if err := os.MkdirAll(dir, 0o777); err != nil {
		return fmt.Errorf("the output folder cannot be made: %w", err)
	}
	entries, err := os.ReadDir(dir)
	if err != nil {
		return fmt.Errorf("the output folder cannot be read: %w", err)
	}
	for _, e := range entries {
		if digits, ok := unfinished(e.Name()); ok {
			n, err := strconv.Atoi(digits)
			_, ours := slices.BinarySearchFunc(pairs, n, func(p FilePair, n int) int { return p.Number - n })
			if err == nil && (ours || digits == probeNumber) {
				if err := os.Remove(filepath.Join(dir, e.Name())); err != nil && !errors.Is(err, fs.ErrNotExist) {
					return fmt.Errorf("what an earlier run left unfinished cannot be removed: %w", err)
				}
			}
		}
	}
	probe, err := os.CreateTemp(dir, "."+probeNumber+".unfinished.*.tmp")
	if err != nil {
		return fmt.Errorf("the output folder cannot be written to: %w", err)
	}
	probe.Close()
	os.Remove(probe.Name())
	return nil
}

// unfinished returns the number in the name of a file that is being written: see output.staged, and
// plate.WriteAtomic, whose own temporary files have a dot and a suffix more.
func unfinished(name string) (number string, ok bool) {
	bare := strings.TrimLeft(name, ".")
	number, _, ok = strings.Cut(bare, ".unfinished.")
	return number, ok && bare != name
}

// probeNumber is that of no frame.
const probeNumber = "-1"

func (o *output) path(product string, number int) string {
	return filepath.Join(o.dir, product, fmt.Sprintf("%04d%s", number, o.extension))
}

// staged is where a product lies until all of the frame is done.
func (o *output) staged(product string, number int) string {
	return filepath.Join(o.dir, product, fmt.Sprintf(".%04d.unfinished%s", number, o.extension))
}

// occupied returns an error where files would be overwritten that the log does not know as of these
// settings.
func (o *output) occupied(pairs []FilePair) error {
	if o.replace {
		return nil
	}
	var e OccupiedError
	for _, p := range pairs {
		if o.log.knows(p.Number) {
			continue
		}
		for _, product := range o.products {
			path := o.path(product, p.Number)
			if _, err := os.Lstat(path); err == nil {
				if e.Files++; e.Files == 1 {
					e.First = path
				}
			}
		}
	}
	if e.Files > 0 {
		return &e
	}
	return nil
}

// finished reports whether the products of the frame at index i of the take are there, of these
// settings and these inputs, as they were written; then it returns the gain that was used.
func (o *output) finished(i int) (gain float64, ok bool) {
	number := o.job.take.Pairs[i].Number
	known := o.log.frames[number]
	if known == nil || known.outputs == nil {
		return 0, false
	}
	for _, product := range o.products {
		path := o.path(product, number)
		want, ok := known.outputs[o.log.relative(path)]
		if !ok {
			return 0, false
		}
		if got, err := hashFile(path); err != nil || got != want {
			return 0, false
		}
	}
	return known.gain, true
}

// keep moves a file that is about to be replaced out of the way, unless it is one that was written
// with these settings: then somebody has changed it since. It returns the new path, or "".
func (o *output) keep(product string, number int) (string, error) {
	path := o.path(product, number)
	stat, err := os.Lstat(path)
	if o.replace || err != nil || stat.Size() == 0 {
		return "", nil
	}
	if known := o.log.frames[number]; known != nil {
		if hash, err := hashFile(path); err == nil && known.hashes[hash] {
			return "", nil
		}
	}
	dir := filepath.Join(o.dir, "set-aside", product)
	if err := os.MkdirAll(dir, 0o777); err != nil {
		return "", err
	}
	for try := 1; ; try++ {
		to := filepath.Join(dir, fmt.Sprintf("%04d.%d%s", number, try, o.extension))
		if _, err := os.Lstat(to); err == nil {
			continue
		}
		return to, os.Rename(path, to)
	}
}

// planes are what a worker keeps between frames for its files.
type planes struct {
	alpha *plate.Gray
	coded *plate.RGB // color by the output's transform
	solid []float32  // alpha of a composite, which is opaque
}

// write writes the products of the frame at index i. All are written, logged with their hashes, and
// only then get their names: so a file of a final name has its record in the log, whenever the run
// is killed. It returns the paths of files that were set aside.
func (o *output) write(i int, r *Result, p *planes) (aside []string, err error) {
	defer func() {
		if err != nil {
			for _, product := range o.products {
				os.Remove(o.staged(product, r.Number))
			}
		}
	}()
	record := o.log.record(i, r)
	for _, product := range o.products {
		staged := o.staged(product, r.Number)
		frame, opt := o.frame(product, r, p)
		if err := plate.Write(staged, frame, opt); err != nil {
			return nil, err
		}
		hash, err := hashFile(staged)
		if err != nil {
			return nil, err
		}
		record.Outputs = append(record.Outputs, outputFile{o.log.relative(o.path(product, r.Number)), hash})
	}
	if err := o.log.add(record); err != nil {
		return nil, err
	}
	for _, product := range o.products {
		old, err := o.keep(product, r.Number)
		if err != nil {
			return aside, err
		}
		if old != "" {
			aside = append(aside, old)
		}
		if err := os.Rename(o.staged(product, r.Number), o.path(product, r.Number)); err != nil {
			return aside, err
		}
	}
	return aside, nil
}

// frame returns the picture of a product and how it is written.
func (o *output) frame(product string, r *Result, p *planes) (image.Image, *plate.WriteOptions) {
	opt, recipe := *o.options[product], &o.job.take.recipe
	exr := recipe.Format == "exr"
	if exr {
		opt.TimeCode = o.job.take.timeCode(r.Number)
	}
	if product == "matte" || exr {
		p.alpha = matte.Alpha(p.alpha, r.Transmission)
	}
	color := r.Comp
	switch product {
	case "matte":
		return p.alpha, &opt
	case "transmission":
		return r.Transmission, &opt
	case "sigma":
		return r.Sigma, &opt
	case "unmeasured":
		return r.Unmeasured, &opt
	case "foreground":
		color = r.Foreground
	}
	if !exr {
		p.coded = o.job.take.written(p.coded, color)
		return p.coded, &opt
	}
	for _, name := range recipe.Layers {
		layer := plate.DataLayer{Name: name, Frame: p.alpha}
		if name == "sigma" {
			layer.Frame = r.Sigma
		}
		opt.Layers = append(opt.Layers, layer)
	}
	alpha := p.alpha.Pix
	if product == "comp" && r.CompAlpha != nil {
		alpha = r.CompAlpha.Pix
	} else if product == "comp" {
		if p.solid == nil {
			p.solid = slices.Repeat([]float32{1}, color.W*color.H)
		}
		alpha = p.solid
	}
	return &plate.RGBA{RGB: *color, A: alpha}, &opt
}

// rateFraction returns a frame rate as a fraction: those of time code exactly, such as 24000/1001
// for 23.976.
func rateFraction(fps float64) [2]int {
	rate, ok := timecodeRate(fps)
	switch {
	case fps == 0:
		return [2]int{}
	case ok && fps < float64(rate)-sameRate*float64(rate):
		return [2]int{1000 * rate, 1001}
	case ok:
		return [2]int{rate, 1}
	}
	return [2]int{int(1000*fps + 0.5), 1000}
}

// timeCode returns the time code of a frame, where the color plate has one. OpenEXR's counts up to
// 39 frames a second: above 30, there is none.
func (t *Take) timeCode(number int) *exr.TimeCode {
	const most = 30 // of the rates of time code, those that OpenEXR's two digits hold
	first := t.timecode
	if first == nil || first.Rate > most {
		return nil
	}
	c := first.Add(number - t.color[0].Number)
	return &exr.TimeCode{Hours: c.Hours, Minutes: c.Minutes, Seconds: c.Seconds, Frame: c.Frames, Drop: c.Drop}
}
