package dataset

import (
	"bufio"
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"

	"example.com/twinplate/internal/parallel"
	"example.com/twinplate/internal/target"
	"example.com/twinplate/matte"
	"example.com/twinplate/plate"
	"example.com/twinplate/reading"
	"example.com/twinplate/take"
)

// ManifestVersion is the version of the manifests that this package writes.
const ManifestVersion = 1

// An Entry is one frame of a data set: a line of the manifest.
type Entry struct {
	Version int    `json:"version"`
	Split   string `json:"split"` // of Splits
	Take    string `json:"take"`
	Frame   int    `json:"frame"` // the color plate's number
	Width   int    `json:"width"` // of all its files, in pixels
	Height  int    `json:"height"`

	Files      map[string]File   `json:"files"` // color, band, foreground, straight, alpha, sigma
	Composites []Composite       `json:"composites"`
	Sources    map[string]Origin `json:"sources"` // color, band

	Gain      float64        `json:"gain"`        // of the lamps in this frame, over the clean plate
	Residual  *float64       `json:"residual_px"` // of the geometry between the cameras; null where the take does not show it
	Crosstalk [3]float64     `json:"crosstalk"`   // the part of red, green and blue that the band camera saw, which is taken off
	Noise     CameraNoise    `json:"noise"`       // of the cameras
	Readings  []ShortReading `json:"readings"`    // of the take

	Key string `json:"key"` // of everything that the files are made from
}

// A File is a picture of a data set. Its values are code values, from 0 to 2^Depth-1, or in OpenEXR
// numbers.
type File struct {
	Path      string `json:"path"` // from the data set's folder, with slashes
	Curve     string `json:"curve"`
	Primaries string `json:"primaries,omitempty"` // of color
	Depth     int    `json:"depth"`               // bits of a value
	Channels  int    `json:"channels"`
	Bytes     int64  `json:"bytes"`
	SHA256    string `json:"sha256"`
}

// A Composite is the foreground over a background: foreground + (1 - alpha) * background in linear
// light.
type Composite struct {
	Name       string `json:"name"` // of the background
	Comp       File   `json:"comp"`
	Background File   `json:"background"` // fitted to the frame
	Source     Origin `json:"source"`
}

// An Origin is a file that a data set was made from.
type Origin struct {
	Name   string `json:"name"` // without its folder; a video file's with # and the frame's index
	SHA256 string `json:"sha256"`
}

// CameraNoise is that of both cameras.
type CameraNoise struct {
	Color matte.Noise `json:"color"`
	Band  matte.Noise `json:"band"`
}

// A ShortReading is one of take.Checkup's in short.
type ShortReading struct {
	Name    string          `json:"name"`
	Value   *float64        `json:"value"` // null where the take does not show it
	Unit    string          `json:"unit"`
	Verdict reading.Verdict `json:"verdict"`
}

// files returns all files of a sample.
func (s *Entry) files() []File {
	all := slices.Collect(maps.Values(s.Files))
	for _, c := range s.Composites {
		all = append(all, c.Comp, c.Background)
	}
	return all
}

const maxLine = 1 << 20 // bytes of a manifest's line

// ReadManifest reads a manifest. The error names the line.
func ReadManifest(r io.Reader) ([]Entry, error) {
	var samples []Entry
	lines := bufio.NewScanner(r)
	lines.Buffer(nil, maxLine)
	for n := 1; lines.Scan(); n++ {
		var s Entry
		if err := json.Unmarshal(lines.Bytes(), &s); err != nil {
			return nil, fmt.Errorf("line %d: %w", n, err)
		}
		if s.Version < 1 || s.Version > ManifestVersion {
			return nil, fmt.Errorf("line %d: version %d, and this program knows %d", n, s.Version, ManifestVersion)
		}
		for _, f := range s.files() {
			if !filepath.IsLocal(filepath.FromSlash(f.Path)) {
				return nil, fmt.Errorf("line %d: %q leads out of the data set", n, f.Path)
			}
		}
		samples = append(samples, s)
	}
	return samples, lines.Err()
}

func writeManifest(path string, samples []Entry) error {
	return plate.WriteAtomic(path, func(w io.Writer) error {
		e := json.NewEncoder(w)
		for _, s := range samples {
			if err := e.Encode(s); err != nil {
				return err
			}
		}
		return nil
	})
}

// A journal is what is known of the samples that are on disk: those of a manifest, if there is one,
// and those that were written since.
type journal struct {
	dir    string
	before map[string]Entry // by take and frame
	whole  map[File]bool    // whether a file is as the journal says, of those that were looked at
	file   *os.File
	lock   *target.Lock
}

func placeOf(name string, frame int) string { return fmt.Sprintf("%s/%d", name, frame) }

// openJournal makes the folder, or takes over the data set that is in it: what its manifest says
// goes into the journal, and the manifest away until all is there again.
func openJournal(dir string) (_ *journal, err error) {
	j := &journal{dir: dir, before: map[string]Entry{}, whole: map[File]bool{}}
	manifest, journaled := filepath.Join(dir, Manifest), filepath.Join(dir, part)
	if err := os.MkdirAll(dir, 0o777); err != nil {
		return nil, fmt.Errorf("the output folder cannot be made: %w", err)
	}
	if j.lock, err = target.NewLock(dir, 0, 0); err != nil {
		return nil, err
	}
	defer func() {
		if err != nil {
			j.lock.Release()
		}
	}()
	entries, err := os.ReadDir(dir)
	if err != nil {
		return nil, err
	}
	entries = slices.DeleteFunc(entries, func(e fs.DirEntry) bool { return strings.HasPrefix(e.Name(), ".running.") })
	has := func(name string) bool {
		return slices.ContainsFunc(entries, func(e fs.DirEntry) bool { return e.Name() == name })
	}
	if len(entries) > 0 && !has(Manifest) && !has(part) {
		return nil, fmt.Errorf("%s: the folder is not empty, and not a data set: choose a new one", dir)
	}
	var samples []Entry
	for _, path := range []string{manifest, journaled} {
		data, err := os.ReadFile(path)
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			return nil, err
		}
		if path == journaled { // whose last line may be torn
			data = data[:bytes.LastIndexByte(data, '\n')+1]
		}
		some, err := ReadManifest(bytes.NewReader(data))
		if err != nil {
			return nil, fmt.Errorf("%s: %w; remove the folder, or choose a new one", path, err)
		}
		samples = append(samples, some...)
	}
	for _, s := range samples {
		j.before[placeOf(s.Take, s.Frame)] = s
	}
	if err := writeManifest(journaled, samples); err != nil {
		return nil, err
	}
	if err := os.Remove(manifest); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, err
	}
	j.file, err = os.OpenFile(journaled, os.O_APPEND|os.O_WRONLY, 0)
	return j, err
}

func (j *journal) append(s Entry) error {
	line, err := json.Marshal(s)
	if err == nil {
		_, err = j.file.Write(append(line, '\n'))
	}
	return err
}

func (j *journal) close() {
	j.file.Close() // each line is written by then
	j.lock.Release()
}

// find returns the sample of a frame where it is on disk as it would be made.
func (j *journal) find(x *shoot, frame int) (Entry, bool) {
	s, ok := j.before[placeOf(x.Name, frame)]
	if !ok || s.Key != x.key {
		return s, false
	}
	for _, f := range s.files() {
		whole, known := j.whole[f]
		if !known {
			sum, n, err := hashFile(filepath.Join(j.dir, filepath.FromSlash(f.Path)))
			whole = err == nil && n == f.Bytes && sum == f.SHA256
			j.whole[f] = whole
		}
		if !whole {
			return s, false
		}
	}
	return s, true
}

// removeOthers removes the files of samples from before that are none of these.
func (j *journal) removeOthers(samples []Entry) {
	keep := map[string]bool{}
	for _, s := range samples {
		for _, f := range s.files() {
			keep[f.Path] = true
		}
	}
	for _, s := range j.before {
		for _, f := range s.files() {
			if !keep[f.Path] {
				// A file that is gone, or cannot go, is in no manifest and does no harm.
				os.Remove(filepath.Join(j.dir, filepath.FromSlash(f.Path)))
			}
		}
	}
}

// hash takes the hashes of all files that the take is made from, and of how.
func (x *shoot) hash(ctx context.Context, w *writer, pairs []take.FilePair) error {
	paths := map[string]bool{}
	for _, p := range pairs { // all of them, for estimates are from all
		paths[x.fileOf(p.Color)], paths[x.fileOf(p.Band)] = true, true
	}
	for _, b := range x.backgrounds {
		for _, p := range b.paths {
			paths[p] = true
		}
	}
	references, err := x.Recipe.ReferenceFiles()
	if err != nil {
		return err
	}
	if curve := x.backgrounds[0].curve; strings.EqualFold(filepath.Ext(curve), ".csv") {
		references = append(references, curve)
	}
	for _, p := range references {
		paths[p] = true
	}
	dir, err := filepath.Abs(w.dir)
	if err != nil {
		return err
	}
	all := slices.Sorted(maps.Keys(paths))
	for _, p := range all {
		if abs, err := filepath.Abs(p); err == nil {
			if rel, err := filepath.Rel(dir, abs); err == nil && filepath.IsLocal(rel) {
				return fmt.Errorf("%s: this input lies in the output folder: choose another", p)
			}
		}
	}
	x.hashes = map[string]string{}
	var mu sync.Mutex
	if err := parallel.Try(ctx, len(all), 0, func(i int) error {
		sum, _, err := hashFile(all[i])
		mu.Lock()
		defer mu.Unlock()
		x.hashes[all[i]] = sum
		return err
	}); err != nil {
		return err
	}
	x.key, err = x.keyOf(w)
	return err
}

// keyOf puts into one hash what the take's files are made from. Where the files lie does not count.
func (x *shoot) keyOf(w *writer) (string, error) {
	parts := []any{ManifestVersion, w.opt.Program, x.Recipe.BaseNames(), w.out.extension, w.out.light.Curve.Name(), w.out.light.Depth}
	for _, b := range x.backgrounds {
		parts = append(parts, b.name, filepath.Base(b.curve), b.primaries)
		for _, p := range b.paths {
			parts = append(parts, x.hashes[p])
		}
	}
	var files []string
	for p, hash := range x.hashes {
		files = append(files, filepath.Base(p)+" "+hash)
	}
	slices.Sort(files)
	h := sha256.New()
	err := json.NewEncoder(h).Encode(append(parts, files))
	return hex.EncodeToString(h.Sum(nil)), err
}

func (x *shoot) origin(path string) Origin {
	return Origin{filepath.Base(path), x.hashes[x.fileOf(path)]}
}
