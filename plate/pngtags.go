package plate

import (
	"bytes"
	"compress/zlib"
	"encoding/binary"
	"image"
	"io"
	"math"
)

// pngTags returns the chunks that state a frame's curve and primaries: cICP where that has code
// points for them, and for programs that do not know it gAMA and cHRM, and sRGB; in words (tEXt)
// what cICP cannot say. Of a gray frame of linear values, which is data as a matte is and no light
// to look at, the curve is stated by cICP alone, so that no program shows it otherwise than it is.
func (o *WriteOptions) pngTags(frame image.Image) []byte {
	var b bytes.Buffer // which takes whatever is written
	_, gray := frame.(*Gray)
	primaries := o.primaries()
	curve, colors := transferCode(o.Curve), byte(notSpecified)
	if !gray {
		colors = primariesCode(primaries)
		var values []byte
		real := true
		p := primaries
		for _, xy := range [][2]float64{p.White, p.Red, p.Green, p.Blue} {
			real = real && xy[0]+xy[1] <= 1
			for _, v := range xy {
				values = binary.BigEndian.AppendUint32(values, uint32(int32(math.Round(v*100000))))
			}
		}
		if real { // libpng refuses colors without a real light, such as AP1's red
			writeChunk(&b, "cHRM", values)
		}
	}
	gamma := map[string]uint32{Linear.Name(): 100000, SRGB.Name(): 45455, BT1886.Name(): 41667}[o.Curve.Name()]
	if gray && o.Curve.Name() == Linear.Name() {
		gamma = 0
	}
	if gamma != 0 {
		writeChunk(&b, "gAMA", binary.BigEndian.AppendUint32(nil, gamma))
	}
	if o.Curve.Name() == SRGB.Name() && (gray || primaries.Near(PrimariesBT709)) {
		writeChunk(&b, "sRGB", []byte{1}) // relative colorimetric
	}
	if curve != notSpecified {
		writeChunk(&b, "cICP", []byte{colors, curve, 0, 1}) // RGB, full range
	}
	if curve == notSpecified || !gray && colors == notSpecified {
		writeChunk(&b, "tEXt", []byte("Comment\x00"+o.statement(!gray)))
	}
	return b.Bytes()
}

// A taggedPNG puts tags behind the IHDR chunk of the file that is written to it.
type taggedPNG struct {
	w    io.Writer
	tags []byte
	at   int
}

func (t *taggedPNG) Write(b []byte) (int, error) {
	const end = 8 + 25 // of the IHDR chunk
	n := 0
	if t.at < end {
		var err error
		n, err = t.w.Write(b[:min(end-t.at, len(b))])
		if t.at += n; err != nil || t.at < end {
			return n, err
		}
		if _, err := t.w.Write(t.tags); err != nil {
			return n, err
		}
	}
	k, err := t.w.Write(b[n:])
	return n + k, err
}

// readPNGTags sets what the chunks before a PNG file's pixels say. Where they say it more than
// once, the order of precedence is that of the PNG specification (third edition, 4.3): cICP, iCCP,
// sRGB, gAMA and cHRM.
func (i *Info) readPNGTags(s *source) {
	chunks := map[string][]byte{}
	at := int64(8)
	for range 1000 {
		head, err := s.part(at, 8)
		if err != nil {
			break
		}
		n, kind := int64(binary.BigEndian.Uint32(head)), string(head[4:])
		if kind == "IDAT" || kind == "IEND" {
			break
		}
		switch kind {
		case "cICP", "iCCP", "sRGB", "gAMA", "cHRM", "tEXt":
			if n > 1<<22 {
				break
			}
			if data, err := s.part(at+8, n); err == nil {
				if kind == "tEXt" && !bytes.HasPrefix(data, []byte("Comment\x00"+statedCurve)) {
					break
				}
				chunks[kind] = data
			}
		}
		at += 12 + n
	}
	numbers := func(kind string, n int) []float64 {
		data := chunks[kind]
		if len(data) != 4*n {
			return nil
		}
		list := make([]float64, n)
		for k := range list {
			list[k] = float64(int32(binary.BigEndian.Uint32(data[4*k:]))) / 100000
		}
		return list
	}
	if v := numbers("cHRM", 8); v != nil {
		if p := (Primaries{[2]float64(v[2:4]), [2]float64(v[4:6]), [2]float64(v[6:8]), [2]float64(v[:2])}); p.sensible() {
			i.Primaries = p
		}
	}
	if v := numbers("gAMA", 1); v != nil && v[0] > 0 {
		i.Curve = gammaName(1 / v[0])
	}
	if text, ok := bytes.CutPrefix(chunks["tEXt"], []byte("Comment\x00")); ok {
		i.readStatement(string(text))
	}
	if chunks["sRGB"] != nil {
		i.Curve, i.Primaries = SRGB.Name(), PrimariesBT709
	}
	if _, rest, ok := bytes.Cut(chunks["iCCP"], []byte{0, 0}); ok { // a name and its end, and the method: deflate
		if z, err := zlib.NewReader(bytes.NewReader(rest)); err == nil {
			if profile, err := io.ReadAll(io.LimitReader(z, 1<<24)); err == nil {
				i.readICC(profile)
			}
		}
	}
	if c := chunks["cICP"]; len(c) == 4 {
		if name := transferName(c[1]); name != "" {
			i.Curve = name
		}
		if p := primariesOf(c[0]); p != (Primaries{}) {
			i.Primaries = p
		}
	}
	if !i.Color {
		i.Primaries = Primaries{}
	}
}
