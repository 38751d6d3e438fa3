package plate

import (
	"bytes"
	"errors"
	"fmt"
	"image"
	"io"
	"os"
)

// MaxPixels is the most pixels that a picture may have where Limits has none: 16384x8192, a frame
// of 8K nearly four times over. As planes of float32 in three colors those are 1.6 GB.
const MaxPixels = 1 << 27

// ReadLimits bounds what is read from a file.
type ReadLimits struct {
	MaxPixels int // the most pixels, width times height, of one picture; 0 means MaxPixels
}

func (l *ReadLimits) maxPixels() int {
	if l == nil || l.MaxPixels <= 0 {
		return MaxPixels
	}
	return l.MaxPixels
}

// Info describes a picture file.
type Info struct {
	W, H   int    // in pixels
	Format string // "png", "tiff", "jpeg", "webp", "y4m", "exr", "dpx" or "pnm"
	Depth  int    // bits of a value as it is decoded: 8 or 16, in a Y4M or DPX file those of the file, and 32 in an EXR file of float
	Color  bool   // it has color, even if every pixel is gray
	Alpha  bool   // it has alpha, even if every pixel is opaque; a PNG's single transparent color (tRNS) does not count

	// What the file's tags say. Nothing is done about it: the curve to read it with is given, and
	// an OpenEXR file's light is linear whatever is given.
	Curve     string    // the name of a curve of Curves, or "gamma 2.2" and the like, or "" where the file does not say
	Primaries Primaries // the zero value where it does not say
}

// Probe reads the size and kind of a picture file, of those that ReadImage reads, but not its
// pixels. Errors are of type *FileError.
func Probe(path string) (Info, error) {
	var info Info
	err := open(path, func(p *picture) error { info = p.info; return nil })
	return info, err
}

// ReadImage reads a picture file, whose format its content decides and not its name: PNG or TIFF of
// 8 or 16 bits, JPEG, WebP, a YUV4MPEG2 file of one frame (.y4m), OpenEXR, DPX without compression,
// or a Netpbm gray or color map (binary .pgm and .ppm). Its code values are as the file holds them:
// color profiles, gamma tags and orientation tags are not applied; Probe returns what they say. The
// size is checked against lim before memory is set aside; nil means the default limits. Errors are
// of type *FileError.
//
// An OpenEXR file comes as a *Gray, *RGB or *RGBA in linear light, which no curve is applied to:
// the channels R, G, B and A, or Y, where its display window is. Its other channels are for package
// exr.
//
// A Y4M file's Y'CbCr becomes R'G'B' by the equations of ITU-R BT.709, or of those that a token of
// its header names, XMATRIX=BT601, XMATRIX=BT709 or XMATRIX=BT2020; its values have the narrow
// range (16 to 235 of 8 bits), or the full one where the token XCOLORRANGE=FULL says so. Code
// values below 0 and above 1 are kept, from -0.5 to 1.5. Chroma is interpolated linearly from where
// the header's C token places it.
func ReadImage(path string, lim *ReadLimits) (image.Image, error) {
	var m image.Image
	err := open(path, func(p *picture) (err error) { m, err = p.decode(lim); return err })
	return m, err
}

// Decode is ReadImage and Probe of a file that is in memory.
func Decode(file []byte, lim *ReadLimits) (image.Image, Info, error) {
	p, err := newPicture(bytes.NewReader(file), int64(len(file)))
	if err != nil {
		return nil, Info{}, err
	}
	m, err := p.decode(lim)
	return m, p.info, err
}

// ReadRGBA reads a picture file as ReadImage does and decodes it with the curve c: see FromImage.
func ReadRGBA(path string, c Curve, lim *ReadLimits) (*RGBA, error) {
	m, err := ReadImage(path, lim)
	if err != nil {
		return nil, err
	}
	if f, ok := m.(*RGBA); ok {
		return f, nil
	}
	return FromImage(m, c), nil
}

// ReadRGB reads a picture file as ReadImage does and decodes it with the curve c: see RGBFromImage.
func ReadRGB(path string, c Curve, lim *ReadLimits) (*RGB, error) {
	return ReadRGBInto(nil, path, c, lim)
}

// ReadRGBInto is ReadRGB into dst where that has the right size, and into a new frame otherwise:
// many frames of one size need no memory each. Where there is an error dst may have been written
// to.
func ReadRGBInto(dst *RGB, path string, c Curve, lim *ReadLimits) (*RGB, error) {
	err := read(path, lim, func(rows *pngRows) bool {
		if dst == nil || dst.Size() != image.Pt(rows.w, rows.h) {
			dst = NewRGB(rows.w, rows.h)
		}
		return rows.rgb(dst, c)
	}, func(m image.Image) {
		dst = rgbOf(dst, m, c)
	})
	if err != nil {
		return nil, err
	}
	return dst, nil
}

// rgbOf returns what a file held as color: light as it is, and code values decoded, into dst where
// that has the right size.
func rgbOf(dst *RGB, m image.Image, c Curve) *RGB {
	switch f := m.(type) {
	case *RGB:
		return f
	case *RGBA:
		return &f.RGB
	}
	return rgbFromImage(dst, m, c)
}

// ReadGray reads a picture file as ReadImage does, decodes it with the curve c and weights its
// linear red, green and blue, or takes a gray picture's value where weights is nil: see
// GrayFromImage.
func ReadGray(path string, c Curve, weights *[3]float32, lim *ReadLimits) (*Gray, error) {
	return ReadGrayInto(nil, path, c, weights, lim)
}

// ReadGrayInto is to ReadGray what ReadRGBInto is to ReadRGB.
func ReadGrayInto(dst *Gray, path string, c Curve, weights *[3]float32, lim *ReadLimits) (*Gray, error) {
	err := read(path, lim, func(rows *pngRows) bool {
		if dst == nil || dst.Size() != image.Pt(rows.w, rows.h) {
			dst = NewGray(rows.w, rows.h)
		}
		return rows.gray(dst, c, weights)
	}, func(m image.Image) {
		if f, ok := m.(*Gray); ok && weights == nil {
			dst = f
		} else {
			dst = grayFromImage(dst, m, c, weights)
		}
	})
	if err != nil {
		return nil, err
	}
	return dst, nil
}

// read reads a file line by line where it can be read so, and by way of a picture otherwise: then
// lines returns false, or is not called at all.
func read(path string, lim *ReadLimits, lines func(*pngRows) bool, whole func(image.Image)) error {
	return open(path, func(p *picture) error {
		if err := p.fits(lim); err != nil {
			return err
		}
		done := false
		if err := p.run(func() error {
			rows := p.rows()
			done = rows != nil && lines(rows)
			return nil
		}); err != nil || done {
			return err
		}
		m, err := p.decode(lim)
		if err == nil {
			whole(m)
		}
		return err
	})
}

// open opens the file at path and calls do with it. Its errors are of type *FileError.
func open(path string, do func(*picture) error) error {
	p, file, err := openPicture(path)
	if err != nil {
		return err
	}
	defer file.Close()
	return fileError(path, do(p))
}

// openPicture opens the file at path, for the caller to close. Its errors are of type *FileError.
func openPicture(path string) (*picture, *os.File, error) {
	// Before it is opened: to open a pipe that nobody writes to would wait forever.
	stat, err := os.Stat(path)
	if err == nil && !stat.Mode().IsRegular() {
		err = errors.New("not a file of pixels but a folder, a pipe or a device")
	}
	if err != nil {
		return nil, nil, fileError(path, err)
	}
	file, err := os.Open(path)
	if err != nil {
		return nil, nil, fileError(path, err)
	}
	// A file that is fetched when it is opened, as in a browser, has its size only now.
	var p *picture
	if stat, err = file.Stat(); err == nil {
		p, err = newPicture(readerOf(file), stat.Size())
	}
	if err != nil {
		file.Close()
		return nil, nil, fileError(path, err)
	}
	return p, file, nil
}

// A picture is a file whose head has been read.
type picture struct {
	source
	format format
	info   Info
}

func newPicture(file io.ReaderAt, size int64) (*picture, error) {
	p := &picture{source: source{ReaderAt: file, size: size}}
	head := make([]byte, 32)
	n, err := file.ReadAt(head, 0)
	if err != nil && err != io.EOF {
		return nil, err
	}
	p.head = head[:n]
	if p.format, err = formatOf(p.head); err != nil {
		return nil, err
	}
	err = p.run(func() (err error) { p.info, err = p.format.probe(&p.source); return err })
	if err != nil {
		return nil, err
	}
	p.info.Format = p.format.name
	if p.info.W <= 0 || p.info.H <= 0 {
		return nil, fmt.Errorf("%dx%d pixels: a picture must have one at least", p.info.W, p.info.H)
	}
	return p, nil
}

// run calls do, and turns a panic of the decoder into an error.
func (p *picture) run(do func() error) (err error) {
	defer func() {
		if r := recover(); r != nil {
			err = fmt.Errorf("damaged: the %s decoder stopped with: %v", p.format.name, r)
		}
	}()
	return do()
}

// fits reports whether the picture may be decoded at all: it is not too large, and its file is long
// enough.
func (p *picture) fits(lim *ReadLimits) error {
	w, h := p.info.W, p.info.H
	if most := lim.maxPixels(); w > most/h {
		return fmt.Errorf("%dx%d pixels are more than the limit of %d; Limits.MaxPixels raises it", w, h, most)
	}
	if p.format.least != nil {
		if least := p.format.least(int64(w), int64(h)); p.size < least {
			return fmt.Errorf("truncated: %dx%d pixels take %d bytes at the very least, and the file has %d: %w",
				w, h, least, p.size, io.ErrUnexpectedEOF)
		}
	}
	return nil
}

// rows returns what reads the picture line by line, or nil.
func (p *picture) rows() *pngRows {
	if rows := p.rowsInPart(); rows != nil || p.format.name != "png" {
		return rows
	}
	rows := newPNGRows(p.ReaderAt, p.info.W, p.info.H)
	if rows != nil && rows.kind == pngColorAlpha {
		return nil
	}
	return rows
}

func (p *picture) decode(lim *ReadLimits) (m image.Image, err error) {
	if err := p.fits(lim); err != nil {
		return nil, err
	}
	w, h := p.info.W, p.info.H
	if err = p.run(func() (err error) { m, err = p.format.decode(&p.source, p.info); return err }); err != nil {
		return nil, err
	}
	if size := m.Bounds().Size(); size != image.Pt(w, h) {
		return nil, fmt.Errorf("damaged: its head says %dx%d pixels, and it holds %dx%d", w, h, size.X, size.Y)
	}
	return m, nil
}
