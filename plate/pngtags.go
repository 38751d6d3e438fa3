package plate

import (
	"bytes"
	"compress/zlib"
	"encoding/binary"
	"image"
	"io"
	"math"
	"slices"

	"example.com/twinplate/internal/list"
	"example.com/twinplate/internal/pngfile"
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
	if !gray && !o.Curve.Coded() {
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
			pngfile.WriteChunk(&b, "cHRM", values)
		}
	}
	gamma := map[string]uint32{Linear.Name(): 100000, SRGB.Name(): 45455, BT1886.Name(): 41667}[o.Curve.Name()]
	if gray && o.Curve.Name() == Linear.Name() {
		gamma = 0
	}
	if gamma != 0 {
		pngfile.WriteChunk(&b, "gAMA", binary.BigEndian.AppendUint32(nil, gamma))
	}
	if o.Curve.Name() == SRGB.Name() && (gray || primaries.Near(PrimariesBT709)) {
		pngfile.WriteChunk(&b, "sRGB", []byte{1}) // relative colorimetric
	}
	if curve != notSpecified {
		pngfile.WriteChunk(&b, "cICP", []byte{colors, curve, 0, 1}) // RGB, full range
	}
	if curve == notSpecified || !gray && colors == notSpecified {
		pngfile.WriteChunk(&b, "tEXt", []byte("Comment\x00"+o.statement(!gray)))
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

// What is read of a file's tags at the most.
const (
	mostChunks  = 1000    // before the pixels
	mostTag     = 1 << 22 // bytes of a chunk
	mostProfile = 1 << 24 // bytes of an ICC profile, inflated
)

// readPNGTags sets what the chunks before a PNG file's pixels say. Where they say it more than
// once, the order of precedence is that of the PNG specification (third edition, 4.3): cICP, iCCP,
// sRGB, gAMA and cHRM.
func (i *Info) readPNGTags(s *source) {
	said := map[string][]byte{}
	chunks := pngfile.NewChunks(s)
	for n := 0; n < mostChunks && chunks.Next() && chunks.Kind != "IDAT" && chunks.Kind != "IEND"; n++ {
		kind, size := chunks.Kind, int64(chunks.Left)
		if slices.Contains([]string{"cICP", "iCCP", "sRGB", "gAMA", "cHRM", "tEXt"}, kind) && size <= min(mostTag, s.size) {
			data := make([]byte, size)
			if !chunks.Part(data) {
				break
			}
			if kind != "tEXt" || bytes.HasPrefix(data, []byte("Comment\x00"+statedCurve)) {
				said[kind] = data
			}
		}
		chunks.Skip() // whatever its checksum
	}
	numbers := func(kind string, n int) []float64 {
		data := said[kind]
		if len(data) != 4*n {
			return nil
		}
		return list.By(n, func(k int) float64 { return float64(int32(binary.BigEndian.Uint32(data[4*k:]))) / 100000 })
	}
	if v := numbers("cHRM", 8); v != nil {
		if p := (Primaries{[2]float64(v[2:4]), [2]float64(v[4:6]), [2]float64(v[6:8]), [2]float64(v[:2])}); p.sensible() {
			i.Primaries = p
		}
	}
	if v := numbers("gAMA", 1); v != nil && v[0] > 0 {
		i.Curve = gammaName(1 / v[0])
	}
	if text, ok := bytes.CutPrefix(said["tEXt"], []byte("Comment\x00")); ok {
		i.readStatement(string(text))
	}
	if said["sRGB"] != nil {
		i.Curve, i.Primaries = SRGB.Name(), PrimariesBT709
	}
	if _, rest, ok := bytes.Cut(said["iCCP"], []byte{0, 0}); ok { // a name and its end, and the method: deflate
		if z, err := zlib.NewReader(bytes.NewReader(rest)); err == nil {
			if profile, err := io.ReadAll(io.LimitReader(z, mostProfile)); err == nil {
				i.readICC(profile)
			}
		}
	}
	if c := said["cICP"]; len(c) == 4 {
		if name := transferNames[c[1]]; name != "" {
			i.Curve = name
		}
		if p := primariesOf[c[0]]; p != (Primaries{}) {
			i.Primaries = p
		}
	}
	if !i.Color {
		i.Primaries = Primaries{}
	}
}
