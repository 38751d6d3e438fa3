package plate

import (
	"bufio"
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"io"
	"os"

	"golang.org/x/image/tiff"
	"golang.org/x/image/webp"
)

// Limits bounds what is read from a file.
type Limits struct {
	MaxPixels int // the most pixels, width times height, of one picture; 0 means 1<<27
}

func (l *Limits) maxPixels() int {
	if l == nil || l.MaxPixels <= 0 {
		return 1 << 27
	}
	return l.MaxPixels
}

// Info describes a picture file.
type Info struct {
	W, H   int    // in pixels
	Format string // "png", "jpeg", "tiff" or "webp"
	Depth  int    // bits of a value as it is decoded: 8 or 16
	Color  bool   // it has color, even if every pixel is gray
	Alpha  bool   // it has alpha, even if every pixel is opaque; a PNG's single transparent color (tRNS) is not told
}

// A format is a kind of picture file.
type format struct {
	name   string
	magic  string // the first bytes; a ? is any byte
	config func(io.Reader) (image.Config, error)
	decode func(io.Reader) (image.Image, error)
}

func formats() []format {
	return []format{
		{"png", "\x89PNG\r\n\x1a\n", png.DecodeConfig, png.Decode},
		{"jpeg", "\xff\xd8\xff", jpeg.DecodeConfig, jpeg.Decode},
		{"tiff", "II*\x00", tiff.DecodeConfig, tiff.Decode},
		{"tiff", "MM\x00*", tiff.DecodeConfig, tiff.Decode},
		{"webp", "RIFF????WEBP", webp.DecodeConfig, webp.Decode},
	}
}

// Probe reads the size and kind of a picture file (PNG, JPEG, TIFF or WebP, whatever its name), but not its
// pixels. Errors are of type *FileError.
func Probe(path string) (Info, error) {
	p, err := openPicture(path)
	if err != nil {
		return Info{}, fileError(path, err)
	}
	defer p.file.Close()
	return p.info, nil
}

// ReadImage reads a picture file: PNG or TIFF of 8 or 16 bits, JPEG or WebP, told by its content and not by its
// name. Its code values are as the file holds them: color profiles, gamma tags and orientation tags are not
// applied. The size is checked against lim before memory is set aside; nil means the default limits. Errors are
// of type *FileError.
func ReadImage(path string, lim *Limits) (image.Image, error) {
	p, err := openPicture(path)
	if err != nil {
		return nil, fileError(path, err)
	}
	defer p.file.Close()
	m, err := p.decode(lim)
	if err != nil {
		return nil, fileError(path, err)
	}
	return m, nil
}

// ReadRGBA reads a picture file as ReadImage does and decodes it with the curve c: see FromImage.
func ReadRGBA(path string, c Curve, lim *Limits) (*RGBA, error) {
	m, err := ReadImage(path, lim)
	if err != nil {
		return nil, err
	}
	return FromImage(m, c), nil
}

// ReadRGB reads a picture file as ReadImage does and decodes it with the curve c: see RGBFromImage.
func ReadRGB(path string, c Curve, lim *Limits) (*RGB, error) {
	m, err := ReadImage(path, lim)
	if err != nil {
		return nil, err
	}
	return RGBFromImage(m, c), nil
}

// ReadGray reads a picture file as ReadImage does, decodes it with the curve c and weights its linear red, green
// and blue, or takes a gray picture's value where weights is nil: see GrayFromImage.
func ReadGray(path string, c Curve, weights *[3]float32, lim *Limits) (*Gray, error) {
	m, err := ReadImage(path, lim)
	if err != nil {
		return nil, err
	}
	return GrayFromImage(m, c, weights), nil
}

// A picture is an open file whose head has been read.
type picture struct {
	file   *os.File
	bytes  int64
	format format
	info   Info
}

func openPicture(path string) (p *picture, err error) {
	file, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer func() {
		if err != nil {
			file.Close()
		}
	}()
	stat, err := file.Stat()
	if err != nil {
		return nil, err
	}
	if !stat.Mode().IsRegular() {
		return nil, errors.New("not a file of pixels but a folder or a device")
	}
	head := make([]byte, 32)
	n, err := io.ReadFull(file, head)
	if err != nil && err != io.EOF && err != io.ErrUnexpectedEOF {
		return nil, err
	}
	head = head[:n]
	p = &picture{file: file, bytes: stat.Size()}
	for _, f := range formats() {
		if matches(f.magic, head) {
			p.format = f
		}
	}
	if p.format.name == "" {
		begins := fmt.Sprintf("it begins with %q", head[:min(n, 8)])
		if n == 0 {
			begins = "it is empty"
		}
		return nil, fmt.Errorf("not a picture that can be read (PNG, JPEG, TIFF or WebP): %s", begins)
	}
	var config image.Config
	err = p.run(func(r io.Reader) (err error) { config, err = p.format.config(r); return err })
	if err != nil {
		return nil, err
	}
	if config.Width <= 0 || config.Height <= 0 {
		return nil, fmt.Errorf("%dx%d pixels: a picture must have one at least", config.Width, config.Height)
	}
	p.info = describe(p.format.name, config, head, file)
	return p, nil
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

// run calls do with a reader from the file's beginning, and turns a panic of the decoder into an error.
func (p *picture) run(do func(io.Reader) error) (err error) {
	if _, err := p.file.Seek(0, io.SeekStart); err != nil {
		return err
	}
	defer func() {
		if r := recover(); r != nil {
			err = fmt.Errorf("damaged: the %s decoder stopped with: %v", p.format.name, r)
		}
	}()
	if p.format.name == "tiff" { // which is read here and there
		err = do(io.NewSectionReader(p.file, 0, p.bytes))
		if errors.Is(err, io.ErrUnexpectedEOF) || errors.Is(err, io.EOF) {
			err = p.truncated(err)
		}
		return err
	}
	r := &endReader{r: p.file}
	if err = do(bufio.NewReaderSize(r, 1<<16)); err != nil && r.ended {
		err = p.truncated(err)
	}
	return err
}

func (p *picture) truncated(err error) error {
	if !errors.Is(err, io.ErrUnexpectedEOF) {
		err = fmt.Errorf("%w: %w", err, io.ErrUnexpectedEOF)
	}
	return fmt.Errorf("truncated: the file ends, after %d bytes, before its picture does: %w", p.bytes, err)
}

// An endReader notes that more was asked for than there is, for decoders name that in several ways.
type endReader struct {
	r     io.Reader
	ended bool
}

func (r *endReader) Read(b []byte) (int, error) {
	n, err := r.r.Read(b)
	r.ended = r.ended || err == io.EOF
	return n, err
}

func (p *picture) decode(lim *Limits) (image.Image, error) {
	w, h := p.info.W, p.info.H
	if most := lim.maxPixels(); w > most/h {
		return nil, fmt.Errorf("%dx%d pixels are more than the limit of %d; Limits.MaxPixels raises it", w, h, most)
	}
	if least := p.leastBytes(); p.bytes < least {
		return nil, fmt.Errorf("truncated: %dx%d pixels take %d bytes at the very least, and the file has %d: %w",
			w, h, least, p.bytes, io.ErrUnexpectedEOF)
	}
	if p.format.name == "png" {
		if m := p.quickPNG(); m != nil {
			return m, nil
		}
	}
	var m image.Image
	err := p.run(func(r io.Reader) (err error) { m, err = p.format.decode(r); return err })
	if err != nil {
		return nil, err
	}
	if size := m.Bounds().Size(); size != image.Pt(w, h) {
		return nil, fmt.Errorf("damaged: its head says %dx%d pixels, and it holds %dx%d", w, h, size.X, size.Y)
	}
	return m, nil
}

// quickPNG returns the picture where package plate's own decoder can read it, and nil where it cannot.
func (p *picture) quickPNG() image.Image {
	file := make([]byte, p.bytes)
	if _, err := p.file.ReadAt(file, 0); err != nil {
		return nil
	}
	return quickPNG(file, p.info.W, p.info.H)
}

// leastBytes returns a size that no whole file of that many pixels can be below, where the format sets one.
func (p *picture) leastBytes() int64 {
	w, h := int64(p.info.W), int64(p.info.H)
	switch p.format.name {
	case "png": // deflate makes at most 1032 bytes of one, and a pixel may be a single bit
		return w * h / 8 / 1032
	case "jpeg": // a block of 8x8 pixels takes one bit or more
		return ((w + 7) / 8) * ((h + 7) / 8) / 8
	}
	return 0
}

func describe(name string, config image.Config, head []byte, file io.ReaderAt) Info {
	info := Info{W: config.Width, H: config.Height, Format: name, Depth: 8, Color: true}
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
	// What the color model does not tell.
	switch name {
	case "png":
		const grayAlpha = 4 // the color type in the IHDR chunk
		if len(head) > 25 && head[25] == grayAlpha {
			info.Color = false
		}
	case "tiff":
		info.Alpha = tiffHasExtraSamples(head, file)
	case "webp":
		if len(head) > 24 && bytes.Equal(head[12:16], []byte("VP8L")) {
			info.Alpha = head[24]&0x10 != 0 // the bit after 14 bits of width and 14 of height
		}
	}
	return info
}

// tiffHasExtraSamples tells whether the first directory of a TIFF file has the tag ExtraSamples, which is of
// alpha in the files that package tiff reads.
func tiffHasExtraSamples(head []byte, file io.ReaderAt) bool {
	if len(head) < 8 {
		return false
	}
	var order binary.ByteOrder = binary.LittleEndian
	if head[0] == 'M' {
		order = binary.BigEndian
	}
	at := int64(order.Uint32(head[4:]))
	var entry [12]byte
	if _, err := file.ReadAt(entry[:2], at); err != nil {
		return false
	}
	for i := range int64(order.Uint16(entry[:2])) {
		if _, err := file.ReadAt(entry[:], at+2+12*i); err != nil {
			return false
		}
		const extraSamples = 338
		if order.Uint16(entry[:2]) == extraSamples {
			return true
		}
	}
	return false
}
