package plate

import (
	"bytes"
	"image"
)

// MaxPixels is the most pixels that a picture may have where ReadLimits has none: 16384x8192, a frame
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
	p, err := Disk{}.Open(path)
	if err != nil {
		return Info{}, err
	}
	return p.info, p.Close()
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
	return opened(path, lim, (*Picture).Image)
}

// opened opens a file for read, and closes it.
func opened[T any](path string, lim *ReadLimits, read func(*Picture) (T, error)) (v T, err error) {
	p, err := Disk{lim}.Open(path)
	if err != nil {
		return v, err
	}
	defer p.Close()
	return read(p)
}

// Decode is ReadImage and Probe of a file that is in memory.
func Decode(file []byte, lim *ReadLimits) (image.Image, Info, error) {
	p := &Picture{file: source{ReaderAt: bytes.NewReader(file), size: int64(len(file))}, lim: lim}
	err := p.probe()
	if err == nil {
		err = p.fits()
	}
	var m image.Image
	if err == nil {
		err = p.run(func() (err error) { m, err = p.decode(); return err })
	}
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
	return opened(path, lim, func(p *Picture) (*RGB, error) { return p.RGB(nil, c) })
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
	return opened(path, lim, func(p *Picture) (*Gray, error) { return p.Gray(nil, c, weights) })
}
