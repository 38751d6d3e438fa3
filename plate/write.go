package plate

import (
	"cmp"
	"errors"
	"fmt"
	"image"
	"io"
	"path/filepath"
	"strings"

	"example.com/twinplate/plate/exr"
)

// An Effort says how much work is put into making a file small. All are lossless.
type Effort int

const (
	// FastCompression, the default, is quick deflate for PNG, and none for TIFF.
	FastCompression Effort = iota
	// NoCompression leaves the values as they are.
	NoCompression
	// SmallCompression is thorough deflate, which takes several times as long.
	SmallCompression
)

// WriteOptions says how a frame becomes a file. A nil pointer and the zero value mean the defaults.
type WriteOptions struct {
	Curve       Curve // of the code values; the zero value is Linear
	Depth       int   // bits of a value, 8 or 16, and 16 or 32 in an OpenEXR file; 0 means 16
	Compression Effort
	Primaries   Primaries // of the color; the zero value means PrimariesBT709. They are stated, but not with a curve of CodedBy, and nothing is converted

	// Only an OpenEXR file has these.
	Layers    []DataLayer   // planes beside the picture
	FrameRate [2]int        // frames a second as a fraction, such as {24000, 1001}; the zero value means none
	TimeCode  *exr.TimeCode // nil means none
}

func (o *WriteOptions) primaries() Primaries {
	if o.Primaries == (Primaries{}) {
		return PrimariesBT709
	}
	return o.Primaries
}

// Write writes a frame, a *Gray, *RGB or *RGBA, to a PNG, TIFF or OpenEXR file, by the extension:
// .png, .tif or .tiff, .exr. In PNG and TIFF an *RGBA is written with straight (unassociated)
// alpha, as Encoder.Image says, even if it is opaque. An OpenEXR file holds linear light, whose
// curve must be Linear, and premultiplied color. Any other picture is written as its file format's
// encoder takes it, in PNG and TIFF; of the options only Compression applies to it.
//
// The frame's values must be finite numbers; those beyond what the curve's code values hold are
// clipped. A frame's file states its curve and primaries, as far as its format can. The file
// appears whole or not at all: see WriteAtomic. Errors are of type *FileError.
func Write(path string, frame image.Image, opt *WriteOptions) error {
	return fileError(path, write(path, frame, opt))
}

func write(path string, frame image.Image, opt *WriteOptions) error {
	opt = cmp.Or(opt, &WriteOptions{})
	encode, check := encodePNG, checkCodes
	switch extension := strings.ToLower(filepath.Ext(path)); extension {
	case ".png":
	case ".tif", ".tiff":
		encode = encodeTIFF
	case ".exr":
		encode, check = encodeEXR, checkEXR
	case "":
		return errors.New("a name without extension does not tell what to write: .png, .tif (or .tiff) and .exr do")
	default:
		return fmt.Errorf("files of extension %q cannot be written: .png, .tif (or .tiff) and .exr can", filepath.Ext(path))
	}
	if opt.Compression < FastCompression || opt.Compression > SmallCompression {
		return fmt.Errorf("compression %d: it must be FastCompression, NoCompression or SmallCompression", opt.Compression)
	}
	if size := frame.Bounds().Size(); size.X <= 0 || size.Y <= 0 {
		return fmt.Errorf("a picture of %dx%d pixels cannot be written", size.X, size.Y)
	}
	if err := check(frame, opt); err != nil {
		return err
	}
	return WriteAtomic(path, func(w io.Writer) error { return encode(w, frame, opt) })
}

// checkCodes returns an error that names the option that a file of code values cannot follow.
func checkCodes(_ image.Image, opt *WriteOptions) error {
	if opt.Depth != 0 && opt.Depth != 8 && opt.Depth != 16 {
		return fmt.Errorf("a depth of %d bits cannot be written: 8 and 16 can", opt.Depth)
	}
	if len(opt.Layers) > 0 {
		return errors.New("only an OpenEXR file (.exr) has layers")
	}
	return nil
}

// codes returns the frame as code values of the options' curve and depth.
func (o *WriteOptions) codes(frame image.Image) image.Image { return Encode(frame, o.Curve, o.depth()) }

func (o *WriteOptions) depth() int {
	return cmp.Or(o.Depth, 16)
}
