package clip

import (
	"context"
	"errors"
	"fmt"
	"image"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"example.com/twinplate/internal/list"
	"example.com/twinplate/plate"
)

// MediaFiles is the machine's picture files and video files: a plate.Files. The frame of a video file
// has the name FILE#INDEX, counted from 0.
type MediaFiles struct {
	plate.Disk

	mu      sync.Mutex
	readers map[string]*Reader
	ranges  map[string]Range
}

// NewMediaFiles returns the machine's files.
func NewMediaFiles() *MediaFiles {
	return &MediaFiles{readers: map[string]*Reader{}, ranges: map[string]Range{}}
}

// SetRange has the frames of a video file read by a range: see Reader.SetRange.
func (f *MediaFiles) SetRange(file string, span Range) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if r := f.readers[file]; r != nil && f.ranges[file] != span { // it begins anew
		r.Rest()
		delete(f.readers, file)
	}
	f.ranges[file] = span
}

// Footage returns what a video file says of its frames, or nil where the file is a picture or is not
// there. Whether a file may be a video is told by its extension.
func (f *MediaFiles) Footage(name string) (*plate.Footage, error) {
	if stat, err := os.Stat(name); err != nil || !stat.Mode().IsRegular() || !mayBe(name) {
		return nil, nil
	}
	_, noPicture := plate.Probe(name)
	if noPicture == nil {
		return nil, nil
	}
	r, err := f.reader(name)
	if err != nil {
		var of *plate.FileError
		if errors.As(noPicture, &of) && !errors.Is(err, ErrNoFFmpeg) {
			err = fmt.Errorf("%w; and %w", err, of.Err)
		}
		return nil, err
	}
	info := r.Info()
	names := list.By(info.Frames, func(i int) string { return name + "#" + strconv.Itoa(i) })
	return &plate.Footage{Names: names, FPS: info.FPS(), TimeCode: info.TimeCode, Notes: info.Notes()}, nil
}

// Open opens a picture file, or a frame of a video file.
func (f *MediaFiles) Open(name string) (*plate.Picture, error) {
	file, index, ok := Split(name)
	if !ok {
		return f.Disk.Open(name)
	}
	r, err := f.reader(file)
	if err != nil {
		return nil, err
	}
	var lent *passed
	return plate.DecodedPicture(name, r.Info().Info, func() (m image.Image, err error) {
		m, lent, err = r.lend(index)
		return m, err
	}).Lent(func() { r.giveBack(lent) }), nil
}

// FileOf returns the file that a picture is in.
func (f *MediaFiles) FileOf(name string) string {
	file, _, _ := Split(name)
	return file
}

// Rest ends the programs that read video files, until a frame is asked for.
func (f *MediaFiles) Rest() {
	f.mu.Lock()
	defer f.mu.Unlock()
	for _, r := range f.readers {
		r.Rest()
	}
}

// Probe returns what a video file says of itself, which it is asked once: see the function Probe.
func (f *MediaFiles) Probe(ctx context.Context, file string) (Stream, error) {
	r, err := f.known(ctx, file)
	if err != nil {
		return Stream{}, err
	}
	return r.Info(), nil
}

// Sound is the function Sound, for a file that need not be asked again what it is.
func (f *MediaFiles) Sound(ctx context.Context, file string, rate int, from, most time.Duration) ([]float32, error) {
	info, err := f.Probe(ctx, file)
	if err != nil {
		return nil, err
	}
	s, err := sound(ctx, file, info, rate, from, most)
	return s, ofFile(file, err)
}

// reader returns the reader of a video file.
func (f *MediaFiles) reader(file string) (*Reader, error) { return f.known(context.Background(), file) }

// known returns the reader of a video file, and asks the file what it is where that is not known;
// of several files at once.
func (f *MediaFiles) known(ctx context.Context, file string) (*Reader, error) {
	f.mu.Lock()
	r := f.readers[file]
	f.mu.Unlock()
	if r != nil {
		return r, nil
	}
	opened, err := Open(ctx, file)
	if err != nil {
		return nil, err
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	if r := f.readers[file]; r != nil { // somebody else was quicker, and this one has started nothing
		return r, nil
	}
	if err := opened.SetRange(f.ranges[file]); err != nil {
		return nil, err
	}
	f.readers[file] = opened
	return opened, nil
}

// Extensions are those that video files are looked for by, in folders of many kinds of file.
var Extensions = []string{".mov", ".mp4", ".m4v", ".mkv", ".webm", ".avi", ".mxf"}

// mayBe reports whether a file may be a video file and not a picture, by its extension.
func mayBe(path string) bool {
	extension := strings.ToLower(filepath.Ext(path))
	return extension != "" && !slices.Contains(plate.Extensions(), extension)
}

// Split returns the file and the index of a name that is a frame of a video file, as MediaFiles has it,
// and whether it is one.
func Split(name string) (file string, index int, ok bool) {
	at := strings.LastIndexByte(name, '#')
	if at < 0 || !mayBe(name[:at]) {
		return name, 0, false
	}
	index, err := strconv.Atoi(name[at+1:])
	if err != nil || index < 0 {
		return name, 0, false
	}
	return name[:at], index, true
}
