package plate

import (
	"errors"
	"fmt"
	"image"
	"io"
	"path/filepath"
	"strings"
)

// A Compression says how much work is put into making a file small. All are lossless.
type Compression int

const (
	// FastCompression, the default, is quick deflate for PNG, and none for TIFF.
	FastCompression Compression = iota
	// NoCompression leaves the values as they are.
	NoCompression
	// SmallCompression is thorough deflate, which takes several times as long.
	SmallCompression
)

// WriteOptions says how a frame becomes a file. A nil pointer and the zero value mean the defaults.
type WriteOptions struct {
	Curve       Curve // of the code values; the zero value is Linear
	Depth       int   // bits of a value, 8 or 16; 0 means 16
	Compression Compression
}

// Write writes a frame, a *Gray, *RGB or *RGBA, to a PNG or TIFF file, told by the extension: .png, .tif or
// .tiff. An *RGBA is written with straight (unassociated) alpha, as Encoder.Image says, even if it is opaque.
// Any other picture is written as its file format's encoder takes it; of the options only Compression applies to
// it.
//
// The frame's values must be finite numbers; those beyond what the curve's code values hold are clipped. No
// gamma or color tag is written: who reads the file must be told the curve. The file appears whole or not at
// all: see WriteAtomic. Errors are of type *FileError.
func Write(path string, frame image.Image, opt *WriteOptions) error {
	return fileError(path, write(path, frame, opt))
}

func write(path string, frame image.Image, opt *WriteOptions) error {
	if opt == nil {
		opt = &WriteOptions{}
	}
	depth := opt.Depth
	switch depth {
	case 0:
		depth = 16
	case 8, 16:
	default:
		return fmt.Errorf("a depth of %d bits cannot be written: 8 and 16 can", depth)
	}
	if opt.Compression < FastCompression || opt.Compression > SmallCompression {
		return fmt.Errorf("compression %d: it must be FastCompression, NoCompression or SmallCompression", opt.Compression)
	}
	var encode func(io.Writer, image.Image, Compression) error
	switch extension := strings.ToLower(filepath.Ext(path)); extension {
	case ".png":
		encode = encodePNG
	case ".tif", ".tiff":
		encode = encodeTIFF
	case "":
		return errors.New("a name without extension does not tell what to write: .png and .tif (or .tiff) do")
	default:
		return fmt.Errorf("files of extension %q cannot be written: .png and .tif (or .tiff) can", filepath.Ext(path))
	}
	if size := frame.Bounds().Size(); size.X <= 0 || size.Y <= 0 {
		return fmt.Errorf("a picture of %dx%d pixels cannot be written", size.X, size.Y)
	}
	if f, ok := frame.(interface{ CheckFinite() error }); ok {
		if err := f.CheckFinite(); err != nil {
			return err
		}
	}
	m := Encode(frame, opt.Curve, depth)
	return WriteAtomic(path, func(w io.Writer) error { return encode(w, m, opt.Compression) })
}
