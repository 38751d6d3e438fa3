package plate

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"io"
	"strings"

	"golang.org/x/image/tiff"
	"golang.org/x/image/webp"

	"example.com/twinplate/internal/pngfile"
)

// A format is a kind of picture file.
type format struct {
	name       string // as in Info
	title      string // as people write it
	extensions string // separated by spaces
	magic      string // the first bytes; a ? is any byte, and a space stands between two that may be
	probe      func(*source) (Info, error)
	decode     func(*source, Info) (image.Image, error)
	least      func(w, h int64) int64 // bytes that no whole file of that many pixels can be below; nil where none are known
}

func formats() []format {
	return []format{
		{"png", "PNG", ".png", pngfile.Signature, probeWith(stream, png.DecodeConfig, describePNG), decodePNG, leastPNG},
		{"tiff", "TIFF", ".tif .tiff", "II*\x00 MM\x00*", probeWith(section, tiff.DecodeConfig, (*Info).readTIFFTags), decodeWith(section, tiff.Decode), nil},
		{"jpeg", "JPEG", ".jpg .jpeg", "\xff\xd8\xff", probeWith(stream, jpeg.DecodeConfig, nil), decodeWith(stream, jpeg.Decode), leastJPEG},
		{"webp", "WebP", ".webp", "RIFF????WEBP", probeWith(stream, webp.DecodeConfig, describeWebP), decodeWith(stream, webp.Decode), nil},
		{"y4m", "YUV4MPEG2", ".y4m", "YUV4MPEG2", probeY4M, decodeY4M, nil},
		{"exr", "OpenEXR", ".exr", "v/1\x01", probeEXR, decodeEXR, nil},
		{"dpx", "DPX", ".dpx", "SDPX XPDS", probeDPX, decodeDPX, nil},
		{"pnm", "PGM or PPM", ".pgm .ppm .pnm", "P5 P6", probePNM, decodePNM, nil},
	}
}

// Extensions returns the extensions of the picture files that can be read, in lower case and with
// their dots.
func Extensions() []string {
	var all []string
	for _, f := range formats() {
		all = append(all, strings.Fields(f.extensions)...)
	}
	return all
}

// formatOf returns the format of the file that begins with head.
func formatOf(head []byte) (format, error) {
	var titles []string
	for _, f := range formats() {
		for magic := range strings.SplitSeq(f.magic, " ") {
			if matches(magic, head) {
				return f, nil
			}
		}
		titles = append(titles, f.title)
	}
	begins := fmt.Sprintf("it begins with %q", head[:min(len(head), 8)])
	if len(head) == 0 {
		begins = "it is empty"
	}
	return format{}, fmt.Errorf("not a picture that can be read (%s): %s", strings.Join(titles, ", "), begins)
}

func matches(magic string, head []byte) bool {
	if len(head) < len(magic) {
		return false
	}
	for i := range len(magic) {
		if magic[i] != '?' && magic[i] != head[i] {
			return false
		}
	}
	return true
}

// A source is the bytes of a file, the first of which are in head too.
type source struct {
	io.ReaderAt
	size int64
	head []byte
}

// part returns n bytes from offset at, or an error that the file is truncated, before it sets
// memory aside.
func (s *source) part(at, n int64) ([]byte, error) {
	if at < 0 || n < 0 || at > s.size || n > s.size-at {
		return nil, s.truncated(io.ErrUnexpectedEOF)
	}
	b := make([]byte, n)
	if _, err := s.ReadAt(b, at); err != nil && err != io.EOF {
		return nil, err
	} else if err == io.EOF && at+n != s.size {
		return nil, s.truncated(io.ErrUnexpectedEOF)
	}
	return b, nil
}

// line returns the bytes from offset at up to the next line feed, which must be among the next
// 4096, and the offset behind that.
func (s *source) line(at int64) (string, int64, error) {
	const most = 4096
	b, err := s.part(at, min(most, s.size-at))
	if err != nil {
		return "", 0, err
	}
	n := bytes.IndexByte(b, '\n')
	if n < 0 {
		if len(b) < most {
			return "", 0, s.truncated(io.ErrUnexpectedEOF)
		}
		return "", 0, fmt.Errorf("damaged: a line of its head is longer than %d bytes", most)
	}
	return string(b[:n]), at + int64(n) + 1, nil
}

func (s *source) truncated(err error) error {
	if !errors.Is(err, io.ErrUnexpectedEOF) {
		err = fmt.Errorf("%w: %w", err, io.ErrUnexpectedEOF)
	}
	return fmt.Errorf("truncated: the file ends, after %d bytes, before its picture does: %w", s.size, err)
}

// stream calls do with a reader from the file's beginning. Its error says so where the file ended
// too early.
func stream(s *source, do func(io.Reader) error) error {
	r := &endReader{r: io.NewSectionReader(s.ReaderAt, 0, s.size)}
	err := do(bufio.NewReaderSize(r, 1<<16))
	if err != nil && r.ended {
		err = s.truncated(err)
	}
	return err
}

// section is stream for a decoder that reads here and there.
func section(s *source, do func(io.Reader) error) error {
	err := do(io.NewSectionReader(s.ReaderAt, 0, s.size))
	if errors.Is(err, io.ErrUnexpectedEOF) || errors.Is(err, io.EOF) {
		err = s.truncated(err)
	}
	return err
}

// An endReader notes that more was read than there is, for decoders report that by different
// errors.
type endReader struct {
	r     io.Reader
	ended bool
}

func (r *endReader) Read(b []byte) (int, error) {
	n, err := r.r.Read(b)
	r.ended = r.ended || err == io.EOF
	return n, err
}

// probeWith and decodeWith make a format's functions of those that packages for pictures have. open
// is stream or section; more, where it is not nil, sets what the color model does not say.
func probeWith(open func(*source, func(io.Reader) error) error, config func(io.Reader) (image.Config, error), more func(*Info, *source)) func(*source) (Info, error) {
	return func(s *source) (Info, error) {
		var c image.Config
		err := open(s, func(r io.Reader) (err error) { c, err = config(r); return err })
		if err != nil {
			return Info{}, err
		}
		info := describe(c)
		if more != nil {
			more(&info, s)
		}
		return info, nil
	}
}

func decodeWith(open func(*source, func(io.Reader) error) error, decode func(io.Reader) (image.Image, error)) func(*source, Info) (image.Image, error) {
	return func(s *source, _ Info) (image.Image, error) {
		var m image.Image
		err := open(s, func(r io.Reader) (err error) { m, err = decode(r); return err })
		return m, err
	}
}

// decodePNG decodes by this package's own decoder where that can read the picture.
func decodePNG(s *source, info Info) (image.Image, error) {
	if m := quickPNG(s, info.W, info.H); m != nil {
		return m, nil
	}
	return decodeWith(stream, png.Decode)(s, info)
}

// mostInflated is how many bytes deflate makes of one: 258 of two bits (RFC 1951, 3.2.5).
const mostInflated = 1032

// leastPNG: a pixel may be a single bit.
func leastPNG(w, h int64) int64 { return w * h / 8 / mostInflated }

// leastJPEG: a block of 8x8 pixels takes one bit or more.
func leastJPEG(w, h int64) int64 { return ((w + 7) / 8) * ((h + 7) / 8) / 8 }

// describe returns what the color model says of a file.
func describe(config image.Config) Info {
	info := Info{W: config.Width, H: config.Height, Depth: 8, Color: true}
	switch config.ColorModel {
	case color.Gray16Model:
		info.Depth, info.Color = 16, false
	case color.GrayModel:
		info.Color = false
	case color.RGBA64Model:
		info.Depth = 16
	case color.NRGBA64Model:
		info.Depth, info.Alpha = 16, true
	case color.NRGBAModel, color.NYCbCrAModel:
		info.Alpha = true
	}
	if palette, ok := config.ColorModel.(color.Palette); ok {
		for _, v := range palette {
			if _, _, _, a := v.RGBA(); a != 0xffff {
				info.Alpha = true
			}
		}
	}
	return info
}

func describePNG(info *Info, s *source) {
	if len(s.head) > 25 && s.head[25] == pngfile.GrayAlpha { // of the IHDR chunk
		info.Color = false
	}
	info.readPNGTags(s)
}

func describeWebP(info *Info, s *source) {
	if len(s.head) > 24 && bytes.Equal(s.head[12:16], []byte("VP8L")) {
		info.Alpha = s.head[24]&0x10 != 0 // the bit after 14 bits of width and 14 of height
	}
}
