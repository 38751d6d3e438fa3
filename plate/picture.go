package plate

import (
	"errors"
	"fmt"
	"image"
	"io"
	"os"

	"example.com/twinplate/internal/pngfile"
)

// Files is where pictures come from, by their names. It is safe for concurrent use.
type Files interface {
	// Open opens a picture, for the caller to close. Errors are of type *FileError.
	Open(name string) (*Picture, error)
	// Footage returns what a file says of the frames that are in it, or nil where it is a picture.
	Footage(name string) (*Footage, error)
	// FileOf returns the file that a picture is in: its name, or that of the file of its Footage.
	FileOf(name string) string
	// Rest lets go of what was kept to read the next frames of footage sooner.
	Rest()
}

// Footage is what a file of many frames says of itself.
type Footage struct {
	Names    []string // of its frames, in their order, for Files.Open
	FPS      float64  // frames a second
	TimeCode string   // of the first frame, like 01:02:03:04; "" where there is none
	Notes    []string // what its user should know of it, in words
}

// Disk is the pictures in the machine's files. The zero value has the default limits.
type Disk struct{ Limits *ReadLimits }

// Open opens the picture file at path. Errors are of type *FileError.
func (d Disk) Open(path string) (*Picture, error) {
	// Before it is opened: to open a pipe that nobody writes to would wait forever.
	stat, err := os.Stat(path)
	if err == nil && !stat.Mode().IsRegular() {
		err = errors.New("not a file of pixels but a folder, a pipe or a device")
	}
	if err != nil {
		return nil, fileError(path, err)
	}
	file, err := os.Open(path)
	if err != nil {
		return nil, fileError(path, err)
	}
	// A file that is fetched when it is opened, as in a browser, has its size only now.
	var p *Picture
	if stat, err = file.Stat(); err == nil {
		p, err = NewPicture(path, file, stat.Size(), d.Limits)
	}
	if err != nil {
		file.Close()
		return nil, fileError(path, err)
	}
	return p, nil
}

// Footage returns nil: a picture file has one frame.
func (Disk) Footage(string) (*Footage, error) { return nil, nil }

// FileOf returns name.
func (Disk) FileOf(name string) string { return name }

// Rest does nothing.
func (Disk) Rest() {}

// A Picture is a picture that is open: its pixels are read once, by one of Image, RGB, Gray and Rows.
type Picture struct {
	file   source
	name   string
	info   Info
	format format
	lim    *ReadLimits

	image func() (image.Image, error) // in place of a file
	lines *lines                      // likewise
	back  func()                      // gives back what image has given; nil: that was not lent

	full *Picture // that this one is, reduced; else nil
	by   int      // what its sides are divided by
}

// NewPicture returns the picture in a file of size bytes, which has been opened and which Close closes
// where it can be closed; name is its in errors. A nil lim means the default limits. Errors are of
// type *FileError.
func NewPicture(name string, file io.ReaderAt, size int64, lim *ReadLimits) (*Picture, error) {
	p := &Picture{file: source{ReaderAt: file, size: size}, name: name, lim: lim}
	if err := p.probe(); err != nil {
		return nil, fileError(name, err)
	}
	return p, nil
}

// probe reads the file's head.
func (p *Picture) probe() error {
	head := make([]byte, 32)
	n, err := p.file.ReadAt(head, 0)
	if err != nil && err != io.EOF {
		return err
	}
	p.file.head = head[:n]
	if p.format, err = formatOf(p.file.head); err != nil {
		return err
	}
	if err = p.run(func() (err error) { p.info, err = p.format.probe(&p.file); return err }); err != nil {
		return err
	}
	p.info.Format = p.format.name
	if p.info.W <= 0 || p.info.H <= 0 {
		return fmt.Errorf("%dx%d pixels: a picture must have one at least", p.info.W, p.info.H)
	}
	return nil
}

// DecodedPicture returns a picture that somebody else decodes: info says what it is, and decode, which
// is called once the pixels are asked for, returns it.
func DecodedPicture(name string, info Info, decode func() (image.Image, error)) *Picture {
	return &Picture{name: name, info: info, format: format{name: info.Format}, image: decode}
}

// DecodedLines returns a picture whose code values, of info's 8 or 16 bits (the high byte first), come
// line by line from next: one a pixel, or three where it has color. A pixel takes as many bytes, or
// with padded, of 8 bits, 4 whose others are left out. A line stays until the next one is asked for.
func DecodedLines(name string, info Info, padded bool, next func() ([]byte, error)) *Picture {
	l := &lines{w: info.W, h: info.H, depth: byte(info.Depth), size: info.Depth / 8, next: next}
	if info.Color {
		l.kind, l.size = pngfile.Color, 3*l.size
	}
	if padded {
		l.size = 4
	}
	return &Picture{name: name, info: info, format: format{name: info.Format}, lines: l}
}

// Lent says of a DecodedPicture that what decode returns is lent, and returns the picture: back is
// called by Close, where it has become light by then. What Image has returned is its caller's.
func (p *Picture) Lent(back func()) *Picture {
	read := p.image
	p.image = func() (image.Image, error) {
		m, err := read()
		if err == nil {
			p.back = back
		}
		return m, err
	}
	return p
}

// Info returns what the picture says of itself.
func (p *Picture) Info() Info { return p.info }

// Size returns its width and height in pixels.
func (p *Picture) Size() image.Point { return image.Pt(p.info.W, p.info.H) }

// Close closes the file.
func (p *Picture) Close() error {
	if p.full != nil {
		return p.full.Close()
	}
	if p.back != nil {
		p.back()
		p.back = nil
	}
	if c, ok := p.file.ReaderAt.(io.Closer); ok {
		return fileError(p.name, c.Close())
	}
	return nil
}

// Image reads the picture's code values: see ReadImage.
func (p *Picture) Image() (m image.Image, err error) {
	err = p.do(func() error { m, err = p.decode(); return err })
	p.back = nil
	return m, err
}

// RGB reads the picture in linear light, by the curve c, as RGBFromImage decodes it: into dst where
// that has the right size, and into a new frame otherwise, so many frames of one size need no memory
// each. Where there is an error dst may have been written to.
func (p *Picture) RGB(dst *RGB, c Curve) (*RGB, error) {
	err := p.do(func() (err error) {
		if p.full != nil {
			dst, err = p.reducedRGB(dst, c)
			return err
		}
		return p.read(func(l *lines) error {
			dst = dst.Sized(p.Size())
			return l.rgb(dst, c)
		}, func(m image.Image) { dst = rgbOf(dst, m, c) })
	})
	if err != nil {
		return nil, err
	}
	return dst, nil
}

// Gray is RGB for one value a pixel, as GrayFromImage makes it of the weights, which may be nil.
func (p *Picture) Gray(dst *Gray, c Curve, weights *[3]float32) (*Gray, error) {
	err := p.do(func() (err error) {
		if p.full != nil {
			dst, err = p.reducedGray(dst, c, weights)
			return err
		}
		return p.read(func(l *lines) error {
			dst = dst.Sized(p.Size())
			return l.gray(dst, c, weights)
		}, func(m image.Image) {
			if f, ok := m.(*Gray); ok && weights == nil {
				dst = f
			} else {
				dst = grayFromImage(dst, m, c, weights)
			}
		})
	})
	if err != nil {
		return nil, err
	}
	return dst, nil
}

// do calls read, which reads the pixels, and turns a panic of the decoder into an error. Errors are of
// type *FileError.
func (p *Picture) do(read func() error) error {
	err := p.fits()
	if err == nil {
		err = p.run(read)
	}
	return fileError(p.name, err)
}

// read reads the picture line by line where it can be read so and is in order, and else as a whole,
// which says what is wrong.
func (p *Picture) read(byLine func(*lines) error, whole func(image.Image)) error {
	if l := p.byLine(true); l != nil {
		if err := byLine(l); err == nil || l == p.lines {
			return err
		}
	}
	m, err := p.decode()
	if err == nil {
		whole(m)
	}
	return err
}

// run calls do, and turns a panic of the decoder into an error.
func (p *Picture) run(do func() error) (err error) {
	defer func() {
		if r := recover(); r != nil {
			err = fmt.Errorf("damaged: the %s decoder stopped with: %v", p.format.name, r)
		}
	}()
	return do()
}

// fits reports whether the picture may be decoded at all: it is not too large, and its file is long
// enough.
func (p *Picture) fits() error {
	w, h := p.info.W, p.info.H
	if most := p.lim.maxPixels(); w > most/h {
		return fmt.Errorf("%dx%d pixels are more than the limit of %d; Limits.MaxPixels raises it", w, h, most)
	}
	if p.format.least != nil {
		if least := p.format.least(int64(w), int64(h)); p.file.size < least {
			return fmt.Errorf("truncated: %dx%d pixels take %d bytes at the very least, and the file has %d: %w",
				w, h, least, p.file.size, io.ErrUnexpectedEOF)
		}
	}
	return nil
}

// byLine returns the picture's lines, or nil where it is read as a whole. With ahead several
// processors may make them before they are asked for.
func (p *Picture) byLine(ahead bool) *lines {
	if p.lines != nil || p.image != nil || p.full != nil || p.format.name != "png" {
		return p.lines
	}
	if l := pngLines(p.file, p.info.W, p.info.H, ahead); l != nil && l.kind != pngfile.ColorAlpha {
		return l
	}
	return nil
}

// decode returns the picture as a whole.
func (p *Picture) decode() (m image.Image, err error) {
	switch {
	case p.full != nil:
		return nil, errReduced
	case p.image != nil:
		m, err = p.image()
		switch f := m.(type) { // what is read is the reader's own
		case *Gray:
			m = f.Clone()
		case *RGB:
			m = f.Clone()
		case *RGBA:
			m = f.Clone()
		}
	case p.lines != nil:
		m, err = p.lines.image()
	default:
		m, err = p.format.decode(&p.file, p.info)
	}
	if err != nil {
		return nil, err
	}
	if size := m.Bounds().Size(); size != p.Size() {
		return nil, fmt.Errorf("damaged: its head says %dx%d pixels, and it holds %dx%d", p.info.W, p.info.H, size.X, size.Y)
	}
	return m, nil
}

// Rows reads a picture row by row, from the top, so that whoever uses a row does so while it is in the
// processor's cache and need not have the frame as a whole. The rows are those of Picture.RGB.
type Rows struct {
	p     *Picture
	curve Curve
	next  int
	lines *lines   // line by line, or else
	row   rowLight // of a picture that is decoded as a whole
	light []float32
}

// Rows begins to read the picture row by row, by the curve c.
func (p *Picture) Rows(c Curve) (*Rows, error) {
	r := &Rows{p: p, curve: c}
	err := p.do(func() error {
		if r.lines = p.byLine(false); r.lines != nil {
			r.light = r.lines.light(c)
			return nil
		}
		return r.decode()
	})
	if err != nil {
		return nil, err
	}
	return r, nil
}

// decode decodes the picture as a whole.
func (r *Rows) decode() error {
	var f *RGB
	if r.p.full != nil {
		var err error
		if f, err = r.p.reducedRGB(nil, r.curve); err != nil {
			return err
		}
	} else {
		m, err := r.p.decode()
		if err != nil {
			return err
		}
		r.lines = nil
		if rows := rowsOf(m, r.curve); rows != nil {
			r.row = rows()
			return nil
		}
		f = rgbOf(nil, m, r.curve)
	}
	r.row = func(y int, red, green, blue []float32) {
		from := f.Row(y)
		copy(red, from[0])
		copy(green, from[1])
		copy(blue, from[2])
	}
	return nil
}

// Next puts the next row, in linear light, into red, green and blue, which have its width at least.
// Where the file is damaged there is an error at the last row at the latest, and what came before may
// be of no use. It is an error as well to ask for more rows than there are.
func (r *Rows) Next(row [3][]float32) error {
	w, h := r.p.info.W, r.p.info.H
	if r.next >= h {
		return fileError(r.p.name, fmt.Errorf("it has no row %d, but rows 0 to %d", r.next, h-1))
	}
	red, green, blue := row[0][:w], row[1][:w], row[2][:w]
	return fileError(r.p.name, r.p.run(func() error {
		if r.lines != nil {
			line, err := r.lines.next()
			if err == nil {
				r.lines.lights(red, green, blue, line, r.light)
				r.next++
				return nil
			}
			if r.lines == r.p.lines {
				return err
			}
			if err := r.decode(); err != nil { // it says what is wrong
				return err
			}
		}
		r.row(r.next, red, green, blue)
		r.next++
		return nil
	}))
}
