package clip

import (
	"encoding/binary"
	"fmt"
	"image"
	"math"
	"regexp"
	"strconv"

	"example.com/twinplate/internal/list"
	"example.com/twinplate/plate"
)

// A layout is how the values of a frame come through the pipe: in planes, at the depth that the
// file has, so that nothing is rounded on the way. Y'CbCr comes as it is, and becomes R'G'B' by
// package plate; FFmpeg's own conversion would cut off what lies below black and above white.
type layout struct {
	pixels string // FFmpeg's name
	depth  int
	gray   bool
	float  bool
	y4m    string  // the tokens of a YUV4MPEG2 head that describe it; "" where the planes are green, blue and red, or floats
	half   [2]bool // chroma has half as many columns, half as many lines
	full   bool    // FFmpeg has to rearrange values of the full range, and must be told to keep that
}

var planar = regexp.MustCompile(`^(?:yuv|yuva|yuvj)(410|411|420|422|440|444)p(\d*)(?:le|be)?$|^(?:gray|ya)(\d*)(?:le|be)?$|^(?:gbrp|gbrap)(\d*)(?:le|be)?$`)

// packed are the formats whose values do not lie in planes, and the planar ones that hold the same.
var packed = map[string]string{
	"nv12": "yuv420p", "nv21": "yuv420p", "nv16": "yuv422p", "nv24": "yuv444p", "nv42": "yuv444p", "nv20le": "yuv422p10",
	"p010le": "yuv420p10", "p012le": "yuv420p12", "p016le": "yuv420p16", "p210le": "yuv422p10", "p212le": "yuv422p12", "p216le": "yuv422p16",
	"p410le": "yuv444p10", "p412le": "yuv444p12", "p416le": "yuv444p16",
	"yuyv422": "yuv422p", "yvyu422": "yuv422p", "uyvy422": "yuv422p", "y210le": "yuv422p10", "y212le": "yuv422p12",
	"ayuv64le": "yuv444p16", "vuya": "yuv444p", "vuyx": "yuv444p", "xv30le": "yuv444p10", "xv36le": "yuv444p12",
	"monow": "gray", "monob": "gray",
	"rgb24": "gbrp", "bgr24": "gbrp", "rgba": "gbrp", "bgra": "gbrp", "argb": "gbrp", "abgr": "gbrp", "rgb0": "gbrp", "bgr0": "gbrp", "0rgb": "gbrp", "0bgr": "gbrp",
	"pal8": "gbrp", "rgb8": "gbrp", "bgr8": "gbrp", "rgb555le": "gbrp", "rgb565le": "gbrp",
	"x2rgb10le": "gbrp10", "x2bgr10le": "gbrp10",
	"rgb48le": "gbrp16", "rgb48be": "gbrp16", "bgr48le": "gbrp16", "bgr48be": "gbrp16", "rgba64le": "gbrp16", "rgba64be": "gbrp16", "bgra64le": "gbrp16", "bgra64be": "gbrp16",
}

// layoutOf returns the layout for a file's pixel format, matrix, range and place of chroma, as
// ffprobe names them.
func layoutOf(pixels, matrix, span, chroma string, height int) (layout, error) {
	given := pixels
	switch pixels {
	case "grayf32le", "grayf32be":
		return layout{pixels: "grayf32le", depth: 32, gray: true, float: true}, nil
	case "gbrpf32le", "gbrpf32be", "gbrapf32le", "gbrapf32be", "gbrpf16le", "gbrapf16le", "rgbf32le", "rgbaf32le", "rgbf16le", "rgbaf16le":
		return layout{pixels: "gbrpf32le", depth: 32, float: true}, nil
	}
	if same, ok := packed[pixels]; ok {
		pixels = same
	}
	bad := fmt.Errorf("the pixel format %.40q: Y'CbCr and R'G'B' of 8 to 16 bits and of 4:2:0, 4:2:2 or 4:4:4, gray, and 32-bit floating point can be read", pixels)
	m := planar.FindStringSubmatch(pixels)
	if m == nil {
		return layout{}, bad
	}
	l := layout{depth: 8}
	suffix, end := m[2]+m[3]+m[4], "" // of names of more than 8 bits
	if suffix == "8" {
		suffix = ""
	}
	if suffix != "" {
		var err error
		if l.depth, err = strconv.Atoi(suffix); err != nil || l.depth < 9 || l.depth > 16 {
			return l, bad
		}
		end = suffix + "le"
	}
	tagged := " XCOLORRANGE=LIMITED"
	switch {
	case pixels[0] == 'g' && pixels[1] == 'b':
		l.pixels = "gbrp" + end
		return l, nil
	case m[1] == "":
		l.gray, l.pixels = true, "gray"+end
		if span != "tv" {
			tagged = " XCOLORRANGE=FULL"
		}
		l.y4m = "Cmono" + suffix + tagged
		return l, nil
	}
	l.pixels = "yuv" + m[1] + "p" + end
	switch m[1] {
	case "420":
		l.half = [2]bool{true, true}
	case "422":
		l.half[0] = true
	case "444":
	default:
		return l, bad
	}
	kind := m[1]
	if suffix != "" {
		kind += "p" + suffix
	} else if kind == "420" { // where the first chroma value is (ITU-T H.273): center, or left as where nothing is said
		if kind = "420mpeg2"; chroma == "center" {
			kind = "420jpeg"
		}
	}
	if span == "pc" || pixels[:4] == "yuvj" {
		tagged = " XCOLORRANGE=FULL"
	}
	switch matrix {
	case "bt709":
		tagged += " XMATRIX=BT709"
	case "smpte170m", "bt470bg":
		tagged += " XMATRIX=BT601"
	case "bt2020nc":
		tagged += " XMATRIX=BT2020"
	case "", "unknown", "unspecified":
		// Common practice: what is below 720 lines is of ITU-R BT.601.
		if tagged += " XMATRIX=BT709"; height < 720 {
			tagged = tagged[:len(tagged)-3] + "601"
		}
	default:
		return l, fmt.Errorf("the matrix %.40q: those of ITU-R BT.601, BT.709 and BT.2020 (nonconstant luminance) can be read", matrix)
	}
	l.y4m = "C" + kind + tagged
	if pixels[:4] == "yuvj" {
		l.pixels = "yuvj" + l.pixels[3:]
	}
	l.full = span == "pc" && given != l.pixels
	return l, nil
}

// bytes returns how many bytes a frame of w by h pixels has.
func (l layout) bytes(w, h int) int {
	size := (l.depth + 7) / 8
	if l.gray {
		return size * w * h
	}
	cw, ch := w, h
	if l.half[0] {
		cw = (w + 1) / 2
	}
	if l.half[1] {
		ch = (h + 1) / 2
	}
	return size * (w*h + 2*cw*ch)
}

// picture makes a picture of a frame's bytes, which it may keep.
func (l layout) picture(w, h int, data []byte) (image.Image, error) {
	if l.y4m != "" {
		return plate.VideoFrame(w, h, l.y4m, data)
	}
	n := w * h
	if l.float {
		plane := func(at int) []float32 {
			return list.By(n, func(i int) float32 { return math.Float32frombits(binary.LittleEndian.Uint32(data[4*(at+i):])) })
		}
		if l.gray {
			f := &plate.Gray{W: w, H: h, Pix: plane(0)}
			return f, f.CheckFinite()
		}
		f := &plate.RGB{W: w, H: h, Pix: [3][]float32{plane(2 * n), plane(0), plane(n)}} // red is the last plane, green the first
		return f, f.CheckFinite()
	}
	if l.depth == 8 {
		m := image.NewRGBA(image.Rect(0, 0, w, h))
		for i := range n {
			p := m.Pix[4*i:][:4]
			p[0], p[1], p[2], p[3] = data[2*n+i], data[i], data[n+i], 0xff
		}
		return m, nil
	}
	m := image.NewRGBA64(image.Rect(0, 0, w, h))
	most := uint32(1)<<l.depth - 1
	for i := range n {
		p := m.Pix[8*i:][:8]
		for c, at := range [3]int{2 * n, 0, n} {
			v := uint32(binary.LittleEndian.Uint16(data[2*(at+i):]))
			v = min(v, most)
			if most != 0xffff {
				v = (v*0xffff + most/2) / most
			}
			binary.BigEndian.PutUint16(p[2*c:], uint16(v))
		}
		p[6], p[7] = 0xff, 0xff
	}
	return m, nil
}
