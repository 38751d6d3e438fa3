package exr

import (
	"fmt"
	"image"
	"math"
	"slices"

	"example.com/twinplate/internal/list"
	"example.com/twinplate/internal/parallel"
)

// HasChroma reports whether the picture's color is luminance and chroma: the channels Y, RY =
// (R-Y)/Y and BY = (B-Y)/Y, the latter two with a value at every second column of every second
// line.
func (m *Image) HasChroma() bool { return m.Channel("RY") != nil || m.Channel("BY") != nil }

// chromaTaps is half of the filter that the OpenEXR library (ImfRgbaYca) makes chroma of that lies
// between two values of it: those of the values 1, 3, 5 and so on columns or lines away, on both
// sides.
var chromaTaps = [...]float32{0.627123, -0.186077, 0.087929, -0.043159, 0.019597, -0.007540, 0.002128}

// RGB replaces the channels Y, RY and BY by R, G and B, as the OpenEXR library (RgbaInputFile)
// does: chroma is filtered to every pixel, and colors that are much more saturated than those
// around them, which the filter makes at edges, are brought near to these. Weights are the parts of
// red, green and blue in luminance, by the file's chromaticities. Values stay single precision,
// where the library rounds each step to half.
func (m *Image) RGB(weights [3]float64) error {
	y, ry, by := m.Channel("Y"), m.Channel("RY"), m.Channel("BY")
	for _, c := range []struct {
		name string
		*Channel
		step int
	}{{"Y", y, 1}, {"RY", ry, 2}, {"BY", by, 2}} {
		switch {
		case c.Channel == nil:
			return fmt.Errorf("color as luminance and chroma without the channel %s: Y, RY and BY are needed", c.name)
		case c.Channel.step() != image.Pt(c.step, c.step) || c.Float == nil:
			return fmt.Errorf("channel %s of luminance and chroma is %v with values at every %d columns and %d lines: it must be half or float, at every %d", c.name, c.Type, c.Channel.step().X, c.Channel.step().Y, c.step)
		}
	}
	if w := weights; !(w[1] > 0 && math.Abs(w[0])+w[1]+math.Abs(w[2]) < 100) {
		return fmt.Errorf("color as luminance and chroma of primaries with the parts %.3g in luminance: no such light is seen", w)
	}
	d := m.Data
	if (d.Min.X|d.Min.Y|d.Dx()|d.Dy())&1 != 0 {
		return fmt.Errorf("damaged: color as luminance and chroma in the data window %v, whose sides must be even", d)
	}
	w, h := d.Dx(), d.Dy()
	f := &chroma{w: w, h: h, luma: y.Float, red: ry.Float, blue: by.Float, weights: [3]float32{float32(weights[0]), float32(weights[1]), float32(weights[2])}}
	out := list.Rows[float32](3, w*h)
	parallel.Rows(w, h, func(y0, y1 int) {
		var rows [3][3][]float32 // of the lines above, of it and below
		for k := range rows {
			rows[k] = [3][]float32(list.Rows[float32](3, w))
		}
		f.line(rows[1], y0-1)
		f.line(rows[2], y0)
		for y := y0; y < y1; y++ {
			rows[0], rows[1], rows[2] = rows[1], rows[2], rows[0]
			f.line(rows[2], y+1)
			f.calm([3][]float32{out[0][y*w : (y+1)*w], out[1][y*w : (y+1)*w], out[2][y*w : (y+1)*w]}, &rows)
		}
	})
	m.Channels = slices.DeleteFunc(m.Channels, func(c Channel) bool { return c.Name == "Y" || c.Name == "RY" || c.Name == "BY" })
	for c, name := range []string{"R", "G", "B"} {
		m.Channels = append(m.Channels, Channel{Name: name, Type: y.Type, Float: out[c]})
	}
	m.sort()
	return nil
}

// chroma is a picture of luminance and chroma, whose sides are even.
type chroma struct {
	w, h            int
	luma, red, blue []float32
	weights         [3]float32
}

// line puts line y into dst, as red, green and blue; also the one above the first and the one below
// the last.
func (f *chroma) line(dst [3][]float32, y int) {
	w, half := f.w, f.w/2
	if y >= f.h {
		y = f.h - 2 // the last that has chroma
	}
	luma := f.luma[max(y, 0)*w:][:w]
	for c, from := range map[int][]float32{0: f.red, 2: f.blue} {
		to := dst[c]
		row := func(y int) []float32 { return from[min(max(y, 0), f.h-2)/2*half:][:half] }
		if y&1 == 0 {
			for x, v := range row(y) {
				to[2*x] = v
			}
		} else {
			for x := range half {
				to[2*x] = 0
			}
			for k, tap := range chromaTaps {
				above, below := row(y-1-2*k), row(y+1+2*k)
				for x := range half {
					to[2*x] += tap * (above[x] + below[x])
				}
			}
		}
		for x := range half {
			var sum float32
			for k, tap := range chromaTaps {
				sum += tap * (to[2*max(x-k, 0)] + to[2*min(x+1+k, half-1)])
			}
			to[2*x+1] = sum
		}
	}
	for x, v := range luma {
		if dst[0][x] == 0 && dst[2][x] == 0 {
			dst[0][x], dst[1][x], dst[2][x] = v, v, v
			continue
		}
		r, b := (dst[0][x]+1)*v, (dst[2][x]+1)*v
		dst[0][x], dst[1][x], dst[2][x] = r, (v-r*f.weights[0]-b*f.weights[2])/f.weights[1], b
	}
}

// calm puts the middle one of three lines into dst, with its saturation within what the four
// diagonal neighbors allow: a quarter of the way from full saturation to their mean.
func (f *chroma) calm(dst [3][]float32, rows *[3][3][]float32) {
	saturation := func(row *[3][]float32, x int) float32 {
		x = min(max(x, 0), f.w-1)
		r, g, b := row[0][x], row[1][x], row[2][x]
		if most := max(r, g, b); most > 0 {
			return 1 - min(r, g, b)/most
		}
		return 0
	}
	for x := range f.w {
		mean := min(1, (saturation(&rows[0], x-1)+saturation(&rows[0], x+1)+saturation(&rows[2], x-1)+saturation(&rows[2], x+1))/4)
		here := saturation(&rows[1], x)
		allowed := min(1, 1-(1-mean)/4)
		in := [3]float32{rows[1][0][x], rows[1][1][x], rows[1][2][x]}
		if here > mean && here > allowed {
			most, part := max(in[0], in[1], in[2]), allowed/here
			var before, after float32
			for c, v := range in {
				in[c] = max(most-(most-v)*part, 0)
				before += v * f.weights[c]
				after += in[c] * f.weights[c]
			}
			if after > 0 {
				for c := range in {
					in[c] *= before / after
				}
			}
		}
		dst[0][x], dst[1][x], dst[2][x] = in[0], in[1], in[2]
	}
}
