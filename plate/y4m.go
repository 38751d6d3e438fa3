package plate

import (
	"cmp"
	"fmt"
	"image"
	"image/color"
	"io"
	"math"
	"strconv"
	"strings"

	"example.com/twinplate/internal/kernel"
)

// A video is a picture of Y'CbCr values: its planes are as the file holds them, its pixels R'G'B'.
type video struct {
	w, h    int
	depth   int // bits of a value; above 8 it has two bytes, the lower first
	planes  [3][]byte
	half    [2]bool       // chroma has half as many columns, half as many lines
	site    [3][2]float32 // where in the luma plane the first Cb and Cr is, by plane: column and line
	luma    [2]float32    // Y' is luma[0]*value + luma[1]
	chroma  [2]float32    // and Cb, Cr are chroma[0]*value + chroma[1]
	red     float32       // R' = Y' + red*Cr
	green   [2]float32    // G' = Y' + green[0]*Cb + green[1]*Cr
	blue    float32       // B' = Y' + blue*Cb
	hasTint bool          // it has chroma at all
}

// parseY4M reads the head of a YUV4MPEG2 file, as the manual of mjpegtools (yuv4mpeg(5)) describes
// it, and returns the picture without its planes and the offset of those.
func parseY4M(s *source) (*video, int64, error) {
	line, at, err := s.line(0)
	if err != nil {
		return nil, 0, err
	}
	v := new(video)
	layout, matrix, narrow := "420jpeg", "BT709", true
	tokens := strings.Split(line, " ")
	if tokens[0] != "YUV4MPEG2" {
		return nil, 0, fmt.Errorf("damaged: its head begins with %.20q, and YUV4MPEG2 files with that word", tokens[0])
	}
	for _, token := range tokens[1:] {
		if token == "" {
			continue
		}
		value := token[1:]
		switch token[0] {
		case 'W':
			v.w, err = strconv.Atoi(value)
		case 'H':
			v.h, err = strconv.Atoi(value)
		case 'C':
			layout = value
		case 'I':
			if value != "p" && value != "?" && value != "" {
				return nil, 0, fmt.Errorf("interlaced (I%.8s): only progressive frames (Ip) can be read", value)
			}
		case 'X':
			if m, ok := strings.CutPrefix(token, "XMATRIX="); ok {
				matrix = m
			} else if r, ok := strings.CutPrefix(token, "XCOLORRANGE="); ok {
				if narrow = r == "LIMITED"; !narrow && r != "FULL" {
					return nil, 0, fmt.Errorf("the token %.40q: it must be XCOLORRANGE=LIMITED or XCOLORRANGE=FULL", token)
				}
			}
		}
		if err != nil {
			return nil, 0, fmt.Errorf("damaged: the token %.40q of its head must hold a whole number", token)
		}
	}
	if v.w <= 0 || v.h <= 0 {
		return nil, 0, fmt.Errorf("damaged: %dx%d pixels, and its head must have a width (W) and a height (H) above 0", v.w, v.h)
	}
	if err := cmp.Or(v.setLayout(layout), v.setMatrix(matrix)); err != nil {
		return nil, 0, err
	}
	v.setRange(narrow)
	line, at, err = s.line(at)
	if err != nil {
		return nil, 0, err
	}
	if line != "FRAME" && !strings.HasPrefix(line, "FRAME ") {
		return nil, 0, fmt.Errorf("damaged: %.20q stands where its FRAME line must be", line)
	}
	return v, at, nil
}

// setLayout sets what a C token says. The names for 8 bits of 4:2:0 say where the first chroma
// values are; the others have them in line with the first column and, of 4:2:0, between the first
// two lines, as Recommendations ITU-T H.264 and H.265 have where a stream does not say
// (chroma_sample_loc_type 0).
func (v *video) setLayout(layout string) error {
	name, bits := layout, ""
	if i := strings.IndexByte(layout, 'p'); i > 0 && layout != "420jpeg" && layout != "420mpeg2" && layout != "420paldv" {
		name, bits = layout[:i], layout[i+1:]
	} else if strings.HasPrefix(layout, "mono") {
		name, bits = "mono", layout[4:]
	}
	v.depth = 8
	if bits != "" {
		v.depth, _ = strconv.Atoi(bits)
		if v.depth < 9 || v.depth > 16 {
			name = ""
		}
	}
	l, ok := chromaLayouts[name]
	if !ok {
		return fmt.Errorf("the chroma layout C%.20s: C420jpeg, C420mpeg2, C420paldv, C420, C422, C444 and Cmono can be read, and with 9 to 16 bits like C420p10, C422p10, C444p10 and Cmono10", layout)
	}
	v.hasTint, v.half, v.site = name != "mono", l.half, [3][2]float32{1: l.cb, 2: l.cr}
	if name == "420" && bits != "" {
		v.site[1], v.site[2] = chromaLeft, chromaLeft
	}
	return nil
}

// Where in the luma plane the first chroma value is: column and line.
var chromaLeft, chromaCenter = [2]float32{0, 0.5}, [2]float32{0.5, 0.5}

var chromaLayouts = map[string]struct {
	half   [2]bool
	cb, cr [2]float32
}{
	"420jpeg":  {[2]bool{true, true}, chromaCenter, chromaCenter},
	"420":      {[2]bool{true, true}, chromaCenter, chromaCenter},
	"420mpeg2": {[2]bool{true, true}, chromaLeft, chromaLeft},
	"420paldv": {[2]bool{true, true}, [2]float32{0, 1}, [2]float32{}}, // Cr in the first line and Cb in the second, in turn
	"422":      {half: [2]bool{true, false}},
	"444":      {},
	"mono":     {},
}

// setMatrix sets the equations from Y'CbCr to R'G'B': ITU-R BT.601 and BT.709 (items 2.5.1 and 3.2
// there), and BT.2020 with non-constant luminance (table 4). All follow from the weights of red and
// blue in luma.
func (v *video) setMatrix(name string) error {
	var red, blue float64
	switch name {
	case "BT601":
		red, blue = 0.299, 0.114
	case "BT709":
		red, blue = 0.2126, 0.0722
	case "BT2020":
		red, blue = 0.2627, 0.0593
	default:
		return fmt.Errorf("the token \"XMATRIX=%.20s\": it must be XMATRIX=BT601, XMATRIX=BT709 or XMATRIX=BT2020", name)
	}
	green := 1 - red - blue
	v.red, v.blue = float32(2*(1-red)), float32(2*(1-blue))
	v.green = [2]float32{float32(-2 * blue * (1 - blue) / green), float32(-2 * red * (1 - red) / green)}
	return nil
}

// setRange sets the quantization of ITU-R BT.2100, table 9, which at 8 and 10 bits is that of
// BT.601 and BT.709 too.
func (v *video) setRange(narrow bool) {
	unit := math.Exp2(float64(v.depth - 8))
	full := math.Exp2(float64(v.depth)) - 1
	if narrow {
		v.luma = [2]float32{float32(1 / (219 * unit)), -16.0 / 219}
		v.chroma = [2]float32{float32(1 / (224 * unit)), -128.0 / 224}
		return
	}
	v.luma = [2]float32{float32(1 / full), 0}
	v.chroma = [2]float32{float32(1 / full), float32(-128 * unit / full)}
}

func probeY4M(s *source) (Info, error) {
	v, _, err := parseY4M(s)
	if err != nil {
		return Info{}, err
	}
	return Info{W: v.w, H: v.h, Depth: v.depth, Color: v.hasTint}, nil
}

func decodeY4M(s *source, _ Info) (image.Image, error) {
	v, at, err := parseY4M(s)
	if err != nil {
		return nil, err
	}
	file, err := s.part(at, v.frame())
	if err != nil {
		return nil, err
	}
	if rest := s.size - at - v.frame(); rest > 0 {
		next := make([]byte, min(5, rest))
		if _, err := s.ReadAt(next, s.size-rest); err != nil && err != io.EOF {
			return nil, err
		}
		if string(next) == "FRAME" {
			return nil, fmt.Errorf("it holds several frames: only a file of one can be read")
		}
		return nil, fmt.Errorf("damaged: %d bytes follow its picture", rest)
	}
	v.hold(file)
	return v, nil
}

// VideoFrame returns a frame of Y'CbCr or gray values, which is in memory as a YUV4MPEG2 file has
// it: its planes one after the other. The tokens of such a file's head, such as
// "C422p10 XCOLORRANGE=LIMITED", say what it is. The frame keeps data, which must not change. It is
// what Decode makes of that file.
func VideoFrame(w, h int, tokens string, data []byte) (image.Image, error) {
	head := fmt.Sprintf("YUV4MPEG2 W%d H%d Ip %s\nFRAME\n", w, h, tokens)
	v, _, err := parseY4M(&source{ReaderAt: strings.NewReader(head), size: int64(len(head))})
	if err != nil {
		return nil, err
	}
	if most := (*ReadLimits)(nil).maxPixels(); w > most/h {
		return nil, fmt.Errorf("%dx%d pixels are more than the limit of %d", w, h, most)
	}
	if want := v.frame(); int64(len(data)) != want {
		return nil, fmt.Errorf("%d bytes for a frame of %dx%d pixels of %s, which has %d", len(data), w, h, tokens, want)
	}
	v.hold(data)
	return v, nil
}

// frame returns how many bytes all planes have together.
func (v *video) frame() (all int64) {
	for i := range v.planes {
		all += v.plane(i)
	}
	return all
}

// plane returns how many bytes a plane has.
func (v *video) plane(i int) int64 {
	w, h := v.size(i)
	return int64(w) * int64(h) * int64(v.bytes())
}

// hold makes data, of frame bytes, the planes.
func (v *video) hold(data []byte) {
	for i := range v.planes {
		n := v.plane(i)
		v.planes[i], data = data[:n], data[n:]
	}
}

// size returns the columns and lines of a plane.
func (v *video) size(plane int) (w, h int) {
	if plane == 0 {
		return v.w, v.h
	}
	if !v.hasTint {
		return 0, 0
	}
	w, h = v.w, v.h
	if v.half[0] {
		w = (w + 1) / 2
	}
	if v.half[1] {
		h = (h + 1) / 2
	}
	return w, h
}

// bytes returns how many a value has.
func (v *video) bytes() int { return (v.depth + 7) / 8 }

// samples puts the values of a plane's line, from column x on, into dst. Beyond its ends the
// outermost go on.
func (v *video) samples(dst []float32, plane, x, y int) {
	w, h := v.size(plane)
	y = min(max(y, 0), h-1)
	for ; x < 0 && len(dst) > 0; x, dst = x+1, dst[1:] {
		v.samples(dst[:1], plane, 0, y)
	}
	if more := x + len(dst) - w; more > 0 {
		inside := len(dst) - more
		for i := range dst[inside:] {
			v.samples(dst[inside+i:][:1], plane, w-1, y)
		}
		dst = dst[:inside]
	}
	kernel.Floats(dst, v.planes[plane][v.bytes()*(y*w+x):], v.bytes(), 1)
}

// between returns where in a plane of chroma, along axis 0 (columns) or 1 (lines), place i of the
// luma plane is: between j and j+1, nearer to j+1 as f goes to 1.
func (v *video) between(plane, axis, i int) (j int, f float32) {
	if !v.half[axis] {
		return i, 0
	}
	at := (float32(i) - v.site[plane][axis]) / 2
	floor := math.Floor(float64(at))
	return int(floor), at - float32(floor)
}

// tint puts what a plane of chroma has at the height of line y into line, from the column on that
// is left of place x, for n places, and returns that column. spare is a second such line.
func (v *video) tint(line, spare []float32, plane, x, y, n int) (column int) {
	column, _ = v.between(plane, 0, x)
	last, _ := v.between(plane, 0, x+n-1)
	m := last - column + 2
	above, down := v.between(plane, 1, y)
	v.samples(line[:m], plane, column, above)
	if down > 0 {
		v.samples(spare[:m], plane, column, above+1)
		kernel.Mix(line[:m], line, spare, down)
	}
	return column
}

// A videoLine is what it takes to convert a line of a video.
type videoLine struct {
	luma, cb, cr []float32
	tint         [2][]float32 // the lines of chroma, with two values more
	spare        []float32
	places       [3][]int32
}

func (v *video) newLine(n int) *videoLine {
	all := make([]float32, 6*(n+2))
	next := func(n int) (part []float32) { part, all = all[:n], all[n:]; return part }
	return &videoLine{next(n), next(n), next(n), [2][]float32{next(n + 2), next(n + 2)}, next(n + 2), [3][]int32{make([]int32, n), make([]int32, n), make([]int32, n)}}
}

// line puts the linear light of the pixels of line y, from x on, into r, g and b. The code values'
// table is that of transfer.lightWide.
func (v *video) line(b *videoLine, x, y int, light []float32, red, green, blue []float32) {
	table := (*[wideCodes]float32)(light)
	n := len(red)
	// In units of the table, whose places are rounded down.
	const unit, zero = 0xffff, wideZero + 0.5
	ly, l0 := v.luma[0]*unit, v.luma[1]*unit+zero
	if !v.hasTint {
		luma := b.luma[:n]
		green, blue = green[:n], blue[:n]
		v.samples(luma, 0, x, y)
		for i, l := range luma {
			l := light[widePlace(ly*l+l0)]
			red[i], green[i], blue[i] = l, l, l
		}
		return
	}
	places := kernel.Video{
		Luma: [2]float32{ly, l0}, Chroma: [2]float32{v.chroma[0] * unit, v.chroma[1] * unit},
		Red: v.red, Green: v.green, Blue: v.blue, Most: wideCodes - 1,
	}
	var column [2]int
	for i := range column {
		column[i] = v.tint(b.tint[i], b.spare, 1+i, x, y, n)
	}
	size, every := v.bytes(), 1
	if v.half[0] {
		every = 2 // pixels are between two samples of chroma in two ways, in turn: those that are so in one way go together
	}
	for phase := range min(every, n) {
		m := (n - phase + every - 1) / every
		luma, cb, cr := b.luma[:m], b.cb[:m], b.cr[:m]
		kernel.Floats(luma, v.planes[0][size*(y*v.w+x+phase):], size, every)
		for i, to := range [][]float32{cb, cr} {
			j, part := v.between(1+i, 0, x+phase)
			kernel.Mix(to, b.tint[i][j-column[i]:], b.tint[i][j-column[i]+1:], part)
		}
		r, g, bl := b.places[0][:m], b.places[1][:m], b.places[2][:m]
		places.Places(r, g, bl, luma, cb, cr)
		kernel.Look(red[phase:], every, r, table)
		kernel.Look(green[phase:], every, g, table)
		kernel.Look(blue[phase:], every, bl, table)
	}
}

// widePlace returns the place in the table of transfer.lightWide of a value in its units.
func widePlace(v float32) int32 { return min(max(int32(v), 0), wideCodes-1) }

// rows is rowsOf for a video.
func (v *video) rows(c Curve) func() rowLight {
	light := c.transfer().lightWide()
	return func() rowLight {
		buffer := v.newLine(v.w)
		return func(y int, red, green, blue []float32) { v.line(buffer, 0, y, light, red, green, blue) }
	}
}

func (v *video) Bounds() image.Rectangle { return image.Rect(0, 0, v.w, v.h) }

// ColorModel returns color.RGBA64Model, or color.Gray16Model where there is no chroma.
func (v *video) ColorModel() color.Model {
	if !v.hasTint {
		return color.Gray16Model
	}
	return color.RGBA64Model
}

// At returns the pixel's R'G'B' in 16 bits, cut off below 0 and above 1.
func (v *video) At(x, y int) color.Color {
	if !image.Pt(x, y).In(v.Bounds()) {
		return color.RGBA64{}
	}
	var pixel [3]float32
	v.line(v.newLine(1), x, y, Linear.transfer().lightWide(), pixel[:1], pixel[1:2], pixel[2:])
	r, g, b := round(pixel[0], 0xffff), round(pixel[1], 0xffff), round(pixel[2], 0xffff)
	if !v.hasTint {
		return color.Gray16{Y: r}
	}
	return color.RGBA64{R: r, G: g, B: b, A: 0xffff}
}
