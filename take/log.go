package take

import (
	"bufio"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"hash"
	"io"
	"math"
	"os"
	"path"
	"path/filepath"
	"runtime"
	"slices"
	"sync"
	"time"

	"example.com/twinplate/internal/list"
	"example.com/twinplate/internal/target"
)

// A runLog is a file to which every run into a folder adds, as JSON, a line of itself and a line
// for each frame: what was used and what came out. A frame is finished where a line has the
// settings and the inputs that it has now, and the hashes of the files that are there. Each shard
// has a file of its own; all are read.
type runLog struct {
	job      *Job
	dir, abs string
	settings string
	frames   map[int]*knownFrame
	begun    bool         // an earlier run had these settings
	foreign  map[int]bool // frames that a run with other settings has done

	mu   sync.Mutex
	file *os.File
	torn bool // the last line may not be whole

	hashing sync.Mutex
	hashes  map[string]string // of inputs, by their paths
}

// A knownFrame is what the logs have of one frame with the settings of now.
type knownFrame struct {
	hashes  map[string]bool   // of all files that were written
	outputs map[string]string // hashes by path, of the inputs of now; nil where there was no such run
	gain    float64
}

// The lines of a log.
type (
	logLine struct {
		Run  *logRun     `json:"run,omitempty"`
		Clip *outputFile `json:"clip,omitempty"` // of all frames; its path is the name alone
		*logFrame
	}

	// logRun says what does not change from frame to frame.
	logRun struct {
		Time       time.Time   `json:"time"`
		Program    string      `json:"program,omitempty"`
		System     string      `json:"system"`
		Settings   string      `json:"settings"`        // the hash of what is below, and of the program
		Clean      string      `json:"clean,omitempty"` // hash of a clean band plate that was rebuilt from the take
		References []inputFile `json:"references"`
		Recipe     Recipe      `json:"recipe"` // with all estimates
		Warnings   []string    `json:"warnings,omitempty"`
	}

	logFrame struct {
		Frame    int          `json:"frame"`
		Time     time.Time    `json:"time"`
		Settings string       `json:"settings"`
		Inputs   []inputFile  `json:"inputs"`
		Gain     float64      `json:"gain"`
		Given    bool         `json:"gain_given,omitempty"` // by the recipe
		Outputs  []outputFile `json:"outputs,omitempty"`
		Error    string       `json:"error,omitempty"`
	}

	// An inputFile is known by its name, its size, and a hash: wherever it lies, and whenever it was
	// copied there. Of a large file the hash is of parts, for all of it would take as long as
	// reading it.
	inputFile struct {
		Path     string `json:"path"` // relative to the log's folder, where it can be
		Size     int64  `json:"size"`
		Modified string `json:"modified"`
		Hash     string `json:"hash,omitempty"` // as hashParts makes it
	}

	outputFile struct {
		Path string `json:"path"`
		Hash string `json:"hash"`
	}
)

// logName is the name of the file that a run adds to.
func logName(s Shard) string {
	if s.N <= 1 {
		return "log.jsonl"
	}
	return fmt.Sprintf("log.%d-of-%d.jsonl", s.I, s.N)
}

// openLog reads the logs of a folder for the frames of pairs, and opens the run's own.
func openLog(j *Job, opt *RunOptions, pairs []FilePair) (*runLog, error) {
	l := &runLog{job: j, dir: opt.Out, frames: map[int]*knownFrame{}, foreign: map[int]bool{}}
	var err error
	if l.abs, err = filepath.Abs(l.dir); err != nil {
		return nil, err
	}
	run := logRun{Time: time.Now().UTC(), Program: opt.Program, System: runtime.GOOS + "/" + runtime.GOARCH, Recipe: j.settings(), Warnings: j.Warnings}
	var references []inputFile // wherever and whenever they are
	for _, path := range j.referenceFiles() {
		f := l.input(path)
		f.Hash, err = hashParts(j.files.FileOf(path), mostReference)
		if err != nil {
			return nil, err
		}
		run.References = append(run.References, f)
		references = append(references, inputFile{Path: filepath.Base(f.Path), Size: f.Size, Hash: f.Hash})
	}
	name, h := newHash()
	if j.Clean != nil {
		if err := binary.Write(h, binary.LittleEndian, j.Clean.Band.Pix); err != nil {
			return nil, err
		}
		run.Clean = hashText(name, h)
		h.Reset()
	}
	data, err := json.Marshal([]any{run.Program, run.Clean, references, run.Recipe})
	if err != nil {
		return nil, err
	}
	h.Write(data)
	l.settings = hashText(name, h)
	run.Settings = l.settings

	index := map[int]int{}
	first := 0
	if len(pairs) > 0 {
		first = slices.IndexFunc(j.take.Pairs, func(p FilePair) bool { return p.Number == pairs[0].Number })
	}
	for i, p := range pairs {
		index[p.Number] = first + i
	}
	paths, err := filepath.Glob(filepath.Join(escapeGlob(l.dir), "log*.jsonl"))
	if err != nil {
		return nil, err
	}
	for _, path := range paths {
		if isLink(path) { // what it leads to is none of ours
			continue
		}
		if err := l.read(path, index); err != nil {
			return nil, err
		}
	}
	return l, l.open(logName(opt.Shard), run)
}

// escapeGlob writes a path so that filepath.Glob takes it as it is.
func escapeGlob(path string) string {
	if runtime.GOOS == "windows" {
		return path // has no escape
	}
	var b []byte
	for i := range len(path) {
		if c := path[i]; c == '*' || c == '?' || c == '[' || c == '\\' {
			b = append(b, '\\')
		}
		b = append(b, path[i])
	}
	return string(b)
}

// read takes from one log what it has of these settings. Lines that cannot be read, such as the one
// at which a run was killed, are passed over.
func (l *runLog) read(path string, index map[int]int) error {
	file, err := os.Open(path)
	if err != nil {
		return fmt.Errorf("the log of an earlier run cannot be read: %w", err)
	}
	defer file.Close()
	if stat, err := file.Stat(); err != nil || !stat.Mode().IsRegular() {
		return err
	}
	lines := bufio.NewScanner(file)
	lines.Buffer(nil, 16<<20)
	for lines.Scan() {
		var line struct {
			Run *struct {
				Settings string `json:"settings"`
			} `json:"run"`
			logFrame
		}
		if json.Unmarshal(lines.Bytes(), &line) != nil {
			continue
		}
		i, ours := index[line.Frame]
		switch {
		case line.Run != nil:
			l.begun = l.begun || line.Run.Settings == l.settings
		case ours && line.Settings == l.settings:
			l.learn(i, &line.logFrame)
		case ours && line.Settings != "":
			l.foreign[line.Frame] = true
		}
	}
	if err := lines.Err(); err != nil && !errors.Is(err, bufio.ErrTooLong) {
		return fmt.Errorf("the log of an earlier run cannot be read: %w", err)
	}
	return nil
}

// learn takes in what a log has of the frame at index i.
func (l *runLog) learn(i int, f *logFrame) {
	known := l.frames[f.Frame]
	if known == nil {
		known = &knownFrame{hashes: map[string]bool{}}
		l.frames[f.Frame] = known
	}
	for _, o := range f.Outputs {
		known.hashes[o.Hash] = true
	}
	gain, given := l.job.givenGain(f.Frame)
	if f.Error != "" || given && gain != f.Gain || !given && f.Given || !l.sameInputs(f.Inputs, i) {
		return
	}
	known.gain = f.Gain
	if known.outputs == nil {
		known.outputs = map[string]string{}
	}
	for _, o := range f.Outputs {
		known.outputs[o.Path] = o.Hash
	}
}

// knows reports whether a file of a frame is of these settings, as far as the logs say: one that
// they do not have may have lost its line to a failure of power.
func (l *runLog) knows(number int) bool {
	return l.frames[number] != nil || l.begun && !l.foreign[number]
}

func isLink(path string) bool {
	info, err := os.Lstat(path)
	return err == nil && info.Mode()&os.ModeSymlink != 0
}

// open opens the log that the run adds to, and writes the run's own line.
func (l *runLog) open(name string, run logRun) error {
	path := filepath.Join(l.dir, name)
	if isLink(path) {
		return fmt.Errorf("%s: the run's log is a link, which is not followed: remove it, or choose another output folder", path)
	}
	file, err := os.OpenFile(path, os.O_CREATE|os.O_RDWR|os.O_APPEND, 0o666)
	if err != nil {
		return fmt.Errorf("the run's log cannot be written: %w", err)
	}
	l.file = file
	if stat, err := file.Stat(); err == nil && stat.Mode().IsRegular() && stat.Size() > 0 {
		last := []byte{0}
		_, err := file.ReadAt(last, stat.Size()-1)
		l.torn = err != nil || last[0] != '\n'
	}
	if err := l.line(logLine{Run: &run}); err != nil {
		l.close()
		return fmt.Errorf("the run's log cannot be written: %w", err)
	}
	return nil
}

func (l *runLog) close() { l.file.Close() }

// line adds a line by one call of the system.
func (l *runLog) line(v logLine) error {
	data, err := json.Marshal(v)
	if err != nil {
		return err
	}
	data = append(data, '\n')
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.torn {
		data = append([]byte("\n"), data...)
	}
	n, err := l.file.Write(data)
	l.torn = err != nil && (n > 0 || l.torn)
	return err
}

func (l *runLog) add(f *logFrame) error { return l.line(logLine{logFrame: f}) }

// record begins the line of the frame at index i.
func (l *runLog) record(i int, r *Result) *logFrame {
	_, given := l.job.givenGain(r.Number)
	return &logFrame{Frame: r.Number, Time: time.Now().UTC(), Settings: l.settings, Inputs: l.hashed(i), Gain: r.Gain.Value, Given: given}
}

// failed adds the line of a frame that failed.
func (l *runLog) failed(i int, cause error) error {
	return l.add(&logFrame{Frame: l.job.take.Pairs[i].Number, Time: time.Now().UTC(), Settings: l.settings, Inputs: l.inputs(i), Error: cause.Error()})
}

// paths are those of the files that the frame at index i is made of.
func (l *runLog) paths(i int) []string {
	p := l.job.take.Pairs[i]
	paths := []string{p.Color, p.Band}
	if l.job.backdrop != nil {
		paths = append(paths, l.job.backdrop.file(i))
	}
	return paths
}

// inputs are the files of paths, without hashes.
func (l *runLog) inputs(i int) []inputFile {
	return list.Of(l.paths(i), l.input)
}

// hashed is inputs with the hashes.
func (l *runLog) hashed(i int) []inputFile {
	files := l.inputs(i)
	for k, path := range l.paths(i) {
		files[k].Hash = l.hash(path) // "" where it cannot be read any more: then it is none that is known
	}
	return files
}

// sameInputs reports whether the frame at index i is still made of the files that a log has. A file
// with the time that it had is believed to be the same.
func (l *runLog) sameInputs(logged []inputFile, i int) bool {
	now, paths := l.inputs(i), l.paths(i)
	if len(logged) != len(now) {
		return false
	}
	for k, was := range logged {
		is := now[k]
		if path.Base(was.Path) != path.Base(is.Path) || was.Size != is.Size {
			return false
		}
		if was.Path == is.Path && was.Modified == is.Modified {
			continue
		}
		if was.Hash == "" || was.Hash != l.hash(paths[k]) {
			return false
		}
	}
	return true
}

// hash returns the hash of an input, or "" where it cannot be read. Those that many frames share
// are hashed once.
func (l *runLog) hash(path string) string {
	const most = 1000 // hashes that are kept
	file := l.job.files.FileOf(path)
	l.hashing.Lock()
	defer l.hashing.Unlock()
	if h, ok := l.hashes[file]; ok {
		return h
	}
	if l.hashes == nil || len(l.hashes) >= most {
		l.hashes = map[string]string{}
	}
	h, err := hashParts(file, mostFrame)
	if err != nil {
		h = ""
	}
	l.hashes[file] = h
	return h
}

func (l *runLog) input(path string) inputFile {
	f := inputFile{Path: l.relative(path)}
	if stat, err := os.Stat(l.job.files.FileOf(path)); err == nil {
		f.Size, f.Modified = stat.Size(), stat.ModTime().UTC().Format(time.RFC3339Nano)
	}
	return f
}

// relative writes a path relative to the log's folder, so that both may be moved together.
func (l *runLog) relative(path string) string {
	abs, err := filepath.Abs(path)
	if err != nil {
		return path
	}
	if rel, err := filepath.Rel(l.abs, abs); err == nil {
		abs = rel
	}
	return filepath.ToSlash(abs)
}

// settings returns the recipe with all estimates, without what is of single frames or says which
// frames.
func (j *Job) settings() Recipe {
	r := j.Recipe(nil)
	r.Color, r.Band, r.Background, r.Frames, r.Write = "", "", "", "", nil
	r.CleanColor, r.CleanBand, r.DarkColor, r.DarkBand, r.FlatColor, r.FlatBand = "", "", "", "", "", ""
	r.Offset, r.Gain = Choice[int]{}, Choice[map[int]float64]{}
	toBase(r.colorFiles())
	return r
}

// referenceFiles are the files that every frame is made of.
func (j *Job) referenceFiles() []string {
	files := slices.Clone(j.take.referencePaths)
	for _, path := range list.Where(j.take.recipe.colorFiles(), isSet) {
		files = append(files, *path)
	}
	return files
}

// inputs are all files of the take, which no output may overwrite: those too that the job does not
// read.
func (j *Job) inputs() *target.Inputs {
	t := j.take
	all := list.Of(slices.Concat(t.color, t.band, t.background), func(f FrameFile) string { return j.files.FileOf(f.Path) })
	return target.NewInputs(slices.Concat(all, t.recipe.InputFiles(), j.referenceFiles()))
}

// givenGain returns the gain of a frame that the recipe gives.
func (j *Job) givenGain(number int) (float64, bool) {
	switch g := j.take.recipe.Gain; g.Mode {
	case "none":
		return 1, true
	case "given":
		v, ok := g.Value[number]
		return v, ok
	}
	return 0, false
}

// hashText writes a hash as "sha256:" and its hexadecimal digits.
func hashText(name string, h hash.Hash) string { return name + ":" + hex.EncodeToString(h.Sum(nil)) }

// Of files up to these sizes, in bytes, hashParts takes all: a recipe's references are read as a
// whole in any case, and a frame is to be hashed in a small part of the time that it takes to read.
const (
	mostReference = 64 << 20
	mostFrame     = 256 << 10
)

// hashParts returns the hash of a file: of all of it up to a size of most bytes, and else of its
// length and of 64 blocks of 4 KB from its head to its tail. Where somebody has retouched a frame
// without compression one of them is hit, if what was changed is longer than a 64th of the file; a
// compressed one is other from there on.
func hashParts(path string, most int64) (string, error) {
	const blocks, length = 64, 4 << 10
	file, err := os.Open(path)
	if err != nil {
		return "", err
	}
	defer file.Close()
	stat, err := file.Stat()
	if err != nil {
		return "", err
	}
	if !stat.Mode().IsRegular() {
		return "", fmt.Errorf("%s: not a file of its own", path)
	}
	name, h := newHash()
	size := stat.Size()
	if size <= max(most, blocks*length) {
		_, err = io.Copy(h, file)
		return hashText(name, h), err
	}
	fmt.Fprintln(h, size)
	block := make([]byte, length)
	for i := range int64(blocks) {
		if _, err := file.ReadAt(block, i*(size-length)/(blocks-1)); err != nil {
			return "", err
		}
		h.Write(block)
	}
	return hashText(name, h), nil
}

// hashFile returns the hash of all of a file.
func hashFile(path string) (string, error) { return hashParts(path, math.MaxInt64) }
