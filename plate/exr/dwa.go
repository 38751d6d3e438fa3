//go:build !js

package exr

import (
	"encoding/binary"
	"errors"
	"fmt"
	"image"
	"io"
	"math"
	"slices"
	"strings"
	"sync"

	"example.com/twinplate/internal/half"
)

const readsDWA = true

// How the compressions DWAA and DWAB pack a channel (OpenEXR's ImfDwaCompressor, on which all of
// this file is).
const (
	dwaDeflated  = iota // as it is, with others, by deflate
	dwaTransform        // by cosine transforms of 8x8 values, with loss
	dwaRuns             // by run lengths and deflate, each byte of the values by itself
	dwaSchemes
)

// A dwaRule says how channels of a name and a type are packed.
type dwaRule struct {
	name     string // without its layer
	anyCase  bool
	kind     Type
	scheme   int
	together int // 0, 1 and 2 are red, green and blue, which are packed as luma and chroma; -1: it is by itself
}

// dwaOldRules are those of versions that do not state them.
var dwaOldRules = func() (all []dwaRule) {
	for _, kind := range []Type{Half, Float} {
		for i, names := range [][]string{{"r", "red"}, {"g", "grn", "green"}, {"b", "blu", "blue"}} {
			for _, name := range names {
				all = append(all, dwaRule{name, true, kind, dwaTransform, i})
			}
		}
		for _, name := range []string{"y", "by", "ry"} {
			all = append(all, dwaRule{name, true, kind, dwaTransform, -1})
		}
	}
	for _, kind := range []Type{Uint, Half, Float} {
		all = append(all, dwaRule{"a", true, kind, dwaRuns, -1})
	}
	return all
}()

func (r *dwaRule) is(name string, kind Type) bool {
	return r.kind == kind && (name == r.name || r.anyCase && strings.EqualFold(name, r.name))
}

// readDWARules reads the rules that stand before the data, and returns what is behind them.
func readDWARules(b []byte) (rules []dwaRule, rest []byte, err error) {
	if len(b) < 2 {
		return nil, nil, io.ErrUnexpectedEOF
	}
	n := int(binary.LittleEndian.Uint16(b))
	if n < 2 || n > len(b) {
		return nil, nil, errDWA
	}
	b, rest = b[2:n], b[n:]
	for len(b) > 0 {
		end := slices.Index(b, 0)
		if end < 0 || end+3 > len(b) {
			return nil, nil, errDWA
		}
		how, kind := b[end+1], Type(b[end+2])
		r := dwaRule{string(b[:end]), how&1 != 0, kind, int(how >> 2 & 3), int(how>>4) - 1}
		if r.scheme >= dwaSchemes || r.together > 2 || kind > Float {
			return nil, nil, errDWA
		}
		rules, b = append(rules, r), b[end+3:]
	}
	return rules, rest, nil
}

var errDWA = errors.New("its DWA data is damaged")

// A dwaChannel is a channel's part of a piece.
type dwaChannel struct {
	*Channel
	scheme int
	w, h   int
	rows   []int // where each of its rows begins in the piece
}

func (c *dwaChannel) blocks() int { return (c.w + 7) / 8 * ((c.h + 7) / 8) }

// unpackDWA unpacks a piece of the compressions DWAA and DWAB.
func (p *packer) unpackDWA(plain []byte, m *Image, area image.Rectangle, packed []byte) error {
	const numbers = 11
	if len(packed) < 8*numbers {
		return io.ErrUnexpectedEOF
	}
	var head [numbers]int
	for i := range head {
		v := binary.LittleEndian.Uint64(packed[8*i:])
		if v > maxChunk {
			return errDWA
		}
		head[i] = int(v)
	}
	version, deflatedPlain, deflatedPacked, acPacked, dcPacked := head[0], head[1], head[2], head[3], head[4]
	runsPacked, runsUnpacked, runsPlain, acCount, dcCount, acDeflated := head[5], head[6], head[7], head[8], head[9], head[10]
	rules, packed := dwaOldRules, packed[8*numbers:]
	switch {
	case version > 2:
		return fmt.Errorf("DWA data of version %d: 0 to 2 can be read", version)
	case version == 2:
		var err error
		if rules, packed, err = readDWARules(packed); err != nil {
			return err
		}
	}
	if deflatedPacked+acPacked+dcPacked+runsPacked > len(packed) {
		return io.ErrUnexpectedEOF
	}
	part := func(n int) (b []byte) {
		b, packed = packed[:n], packed[n:]
		return b
	}
	channels, groups := dwaChannels(m, area, rules)
	var bytesOf [dwaSchemes]int
	blocks := 0
	for i := range channels {
		c := &channels[i]
		bytesOf[c.scheme] += c.w * c.h * c.Type.size()
		if c.scheme == dwaTransform {
			if c.Type == Uint {
				return errDWA
			}
			blocks += c.blocks()
		}
	}
	// What is said must be what the channels need.
	if deflatedPlain != bytesOf[dwaDeflated] || runsPlain != bytesOf[dwaRuns] || runsUnpacked > 2*runsPlain+2 || dcCount != blocks || acCount > 63*blocks {
		return errDWA
	}
	deflated, ac, dc, runs := make([]byte, deflatedPlain), make([]uint16, acCount), make([]uint16, dcCount), make([]byte, runsPlain)
	if err := p.inflatePart(deflated, part(deflatedPacked)); err != nil {
		return err
	}
	if acDeflated == 0 {
		if err := p.wavelets().huffman.unpack(ac, part(acPacked)); err != nil {
			return err
		}
	} else {
		b := make([]byte, 2*acCount)
		if err := p.inflatePart(b, part(acPacked)); err != nil {
			return err
		}
		numbers16(ac, b)
	}
	mixed, values := make([]byte, 2*dcCount), make([]byte, 2*dcCount)
	if err := p.inflatePart(mixed, part(dcPacked)); err != nil {
		return err
	}
	unmix(values, mixed)
	numbers16(dc, values)
	b := make([]byte, runsUnpacked)
	if err := p.inflatePart(b, part(runsPacked)); err != nil {
		return err
	}
	if err := unrun(runs, b); err != nil {
		return err
	}
	for _, group := range groups {
		var err error
		if ac, dc, err = unpackBlocks(plain, group, ac, dc); err != nil {
			return err
		}
	}
	for i := range channels {
		c := &channels[i]
		size := c.Type.size()
		n := c.w * size
		switch c.scheme {
		case dwaDeflated:
			for _, at := range c.rows {
				copy(plain[at:at+n], deflated)
				deflated = deflated[n:]
			}
		case dwaRuns:
			for y, at := range c.rows {
				for x := range c.w {
					for k := range size {
						plain[at+x*size+k] = runs[k*c.w*c.h+y*c.w+x]
					}
				}
			}
			runs = runs[c.w*c.h*size:]
		}
	}
	return nil
}

func numbers16(dst []uint16, b []byte) {
	for i := range dst {
		dst[i] = binary.LittleEndian.Uint16(b[2*i:])
	}
}

// inflatePart is inflate for a part that may be empty.
func (p *packer) inflatePart(dst, packed []byte) error {
	if len(dst) == 0 {
		return nil
	}
	return p.inflate(dst, packed)
}

// dwaChannels returns how each channel of a piece is packed, and those that are transformed, in the
// order in which they are: red, green and blue of a layer together, and then the others alone.
func dwaChannels(m *Image, area image.Rectangle, rules []dwaRule) (all []dwaChannel, groups [][]*dwaChannel) {
	layers := map[string]*[3]int{}
	var names []string
	for i := range m.Channels {
		c := dwaChannel{Channel: &m.Channels[i]}
		s := c.step()
		c.w, c.h = multiples(area.Min.X, area.Max.X, s.X), multiples(area.Min.Y, area.Max.Y, s.Y)
		dot := strings.LastIndexByte(c.Name, '.')
		layer, name := c.Name[:max(dot, 0)], c.Name[dot+1:]
		if layers[layer] == nil {
			layers[layer] = &[3]int{-1, -1, -1}
			names = append(names, layer)
		}
		for _, r := range rules {
			if r.is(name, c.Type) {
				if c.scheme = r.scheme; r.together >= 0 {
					layers[layer][r.together] = i
				}
			}
		}
		all = append(all, c)
	}
	at, rows := 0, map[*Channel][]int{}
	m.eachRow(area, func(c *Channel, _, _, count int) {
		rows[c] = append(rows[c], at)
		at += count * c.Type.size()
	})
	for i := range all {
		all[i].rows = rows[all[i].Channel]
	}
	slices.Sort(names)
	grouped := map[int]bool{}
	for _, layer := range names {
		g := layers[layer]
		if g[0] < 0 || g[1] < 0 || g[2] < 0 {
			continue
		}
		r, gr, b := &all[g[0]], &all[g[1]], &all[g[2]]
		if r.step() != gr.step() || r.step() != b.step() || r.scheme != dwaTransform || gr.scheme != dwaTransform || b.scheme != dwaTransform {
			continue
		}
		groups = append(groups, []*dwaChannel{r, gr, b})
		for _, i := range g {
			grouped[i] = true
		}
	}
	for i := range all {
		if all[i].scheme == dwaTransform && !grouped[i] {
			groups = append(groups, []*dwaChannel{&all[i]})
		}
	}
	return all, groups
}

// unpackBlocks unpacks channels that are packed together, one or three, from the transforms'
// coefficients: the first of each block from dc, channel by channel, the others from ac, block by
// block. It returns what is left of both.
func unpackBlocks(plain []byte, group []*dwaChannel, ac, dc []uint16) (restAC, restDC []uint16, err error) {
	first := group[0]
	blocks := first.blocks()
	if len(dc) < len(group)*blocks {
		return nil, nil, errDWA
	}
	light := dwaLight()
	var values [3][64]float32
	block := 0
	for by := 0; by < first.h; by += 8 {
		for bx := 0; bx < first.w; bx += 8 {
			for k := range group {
				var coded [64]uint16
				coded[0] = dc[k*blocks+block]
				flat := true
				for i := 1; i < 64; {
					if len(ac) == 0 {
						return nil, nil, errDWA
					}
					v := ac[0]
					ac = ac[1:]
					switch {
					case v == 0xff00: // the rest is 0
						i = 64
					case v>>8 == 0xff: // so many are 0
						i += int(v & 0xff)
					default:
						coded[i], flat = v, false
						i++
					}
				}
				untransform(&values[k], &coded, flat)
			}
			if len(group) == 3 {
				for i, y := range values[0] {
					b, r := values[1][i], values[2][i]
					values[0][i], values[1][i], values[2][i] = y+1.5747*r, y-0.1873*b-0.4682*r, y+1.8556*b
				}
			}
			for k, c := range group {
				for y := by; y < min(by+8, c.h); y++ {
					for x := bx; x < min(bx+8, c.w); x++ {
						h := half.FromFloat32(values[k][(y-by)*8+x-bx])
						if len(group) == 3 || !c.perceptual {
							h = light[h]
						}
						if c.Type == Half {
							binary.LittleEndian.PutUint16(plain[c.rows[y]+2*x:], h)
						} else {
							binary.LittleEndian.PutUint32(plain[c.rows[y]+4*x:], math.Float32bits(half.ToFloat32(h)))
						}
					}
				}
			}
			block++
		}
	}
	return ac, dc[len(group)*blocks:], nil
}

// zigzag is where each coefficient stands, row by row (ITU-T T.81, figure A.6).
var zigzag = [64]int{
	0, 1, 8, 16, 9, 2, 3, 10, 17, 24, 32, 25, 18, 11, 4, 5, 12, 19, 26, 33, 40, 48, 41, 34, 27, 20, 13, 6, 7, 14, 21, 28,
	35, 42, 49, 56, 57, 50, 43, 36, 29, 22, 15, 23, 30, 37, 44, 51, 58, 59, 52, 45, 38, 31, 39, 46, 53, 60, 61, 54, 47, 55, 62, 63,
}

// cosines are those of the transform (ITU-T T.81, A.3.3): of coefficient u at place x.
var cosines = func() (c [8][8]float32) {
	for u := range c {
		scale := 0.5
		if u == 0 {
			scale = 0.5 / math.Sqrt2
		}
		for x := range c[u] {
			c[u][x] = float32(scale * math.Cos(float64((2*x+1)*u)*math.Pi/16))
		}
	}
	return c
}()

// untransform undoes the cosine transform of a block of half floats. Flat: all but the first are 0.
func untransform(dst *[64]float32, coded *[64]uint16, flat bool) {
	if flat {
		v := half.ToFloat32(coded[0]) / 8
		for i := range dst {
			dst[i] = v
		}
		return
	}
	var in, columns [64]float32
	for i, v := range coded {
		in[zigzag[i]] = half.ToFloat32(v)
	}
	uncosine(&columns, &in)
	uncosine(dst, &columns)
}

// uncosine undoes the transform along the rows of in, which become the columns of dst.
func uncosine(dst, in *[64]float32) {
	for v := range 8 {
		for x := range 8 {
			var sum float32
			for u := range 8 {
				sum += cosines[u][x] * in[8*v+u]
			}
			dst[8*x+v] = sum
		}
	}
}

// dwaLight returns the light that coded half floats stand for, both by their bits: the power 2.2 up
// to 1, and above an exponential that goes on with it.
var dwaLight = sync.OnceValue(func() []uint16 {
	table := make([]uint16, 1<<16)
	for i := range table {
		v := float64(half.ToFloat32(uint16(i)))
		size := math.Abs(v)
		switch {
		case math.IsNaN(v) || math.IsInf(v, 0):
			continue
		case size <= 1:
			size = math.Pow(size, 2.2)
		default:
			size = math.Exp(2.2 * (size - 1))
		}
		table[i] = half.FromFloat32(float32(math.Copysign(size, v)))
	}
	return table
})
