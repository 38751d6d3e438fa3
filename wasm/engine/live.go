//go:build js

package main

import (
	"context"
	"fmt"
	"runtime"
	"slices"
	"syscall/js"
	"unsafe"

	"example.com/twinplate/internal/half"
	"example.com/twinplate/internal/kernel"
	"example.com/twinplate/internal/list"
	"example.com/twinplate/plate"
	"example.com/twinplate/reading"
	"example.com/twinplate/take"
)

// The operations of the live page (site/js/live): the take's one frame is read again and again,
// while the worker lays the cameras' newest pictures under its names (site/js/live/worker/feed.js).

// watched is a live frame. Its pictures come as buffers in their order, four bytes a pixel as a
// screen shows them: those of stations, and those of thumbs, half as wide and high.
type watched struct {
	Gain     float64  `json:"gain"`
	Pictures []placed `json:"pictures"`
}

// watch makes the frame anew and returns these of its stations; of none, the gain alone.
func (s *session) watch(number int, stations, thumbs []string) (js.Value, error) {
	if err := s.monitors(); err != nil {
		return js.Undefined(), err
	}
	out := watched{Pictures: []placed{}}
	var screens []*screen
	for i, station := range append(stations, thumbs...) {
		c, err := s.screen(i, station, i >= len(stations))
		if err != nil {
			return js.Undefined(), err
		}
		screens = append(screens, c)
		out.Pictures = append(out.Pictures, placed{station, c.w, c.h, ""})
	}
	each := func(_ int, row *take.StationRow) {
		for _, c := range screens {
			c.add(row)
		}
	}
	if len(screens) == 0 {
		each = nil
	}
	gain, err := s.monitor.Watch(number, each)
	if err != nil {
		return js.Undefined(), err
	}
	out.Gain = gain.Value
	var buffers []js.Value
	for _, c := range screens {
		b := unsafe.Slice((*byte)(unsafe.Pointer(unsafe.SliceData(c.pixels))), 4*len(c.pixels)) // the lowest of each value first
		to := js.Global().Call("bytes", len(b))
		js.CopyBytesToJS(to, b)
		buffers = append(buffers, to)
	}
	return reply(out, buffers...)
}

// monitors makes the monitor where there is none yet.
func (s *session) monitors() error {
	if s.job == nil {
		return errNotOpen
	}
	if s.monitor == nil {
		s.monitor = s.job.NewMonitor()
	}
	return nil
}

// A screen makes of rows, from the top, what a screen shows: red, green, blue and 255, a byte each.
type screen struct {
	w, h, y int
	of      func(*take.StationRow) [3][]float32
	codes   *[1 << 16]uint8
	pair    *pair       // of rows that become one, of half as many pixels; nil: each is one
	row     [3][]uint32 // as half floats
	pixels  []uint32
}

// screen returns the screen at place i for a station of the next frame, half as wide and high where
// small is set. Its memory is that of the last one there.
func (s *session) screen(i int, station string, small bool) (*screen, error) {
	if s.codes == nil {
		s.codes = map[plate.Curve]*[1 << 16]uint8{plate.SRGB: codes(plate.SRGB, false), plate.Linear: codes(plate.Linear, true)}
	}
	for len(s.screens) <= i {
		s.screens = append(s.screens, &screen{})
	}
	c := s.screens[i]
	c.w, c.h, c.y, c.pair, c.codes = s.job.Geometry.ColorW, s.job.Geometry.ColorH, 0, nil, s.codes[plate.SRGB]
	gray := func(row []float32) [3][]float32 { return [3][]float32{row, row, row} }
	switch station {
	case "color":
		c.of = func(row *take.StationRow) [3][]float32 { return row.Color }
	case "band":
		c.of = func(row *take.StationRow) [3][]float32 { return gray(row.Band) }
	case "sum":
		c.of = func(row *take.StationRow) [3][]float32 { return row.Sum }
	case "matte":
		c.codes = s.codes[plate.Linear]
		c.of = func(row *take.StationRow) [3][]float32 { return gray(row.Transmission) }
	default:
		return nil, fmt.Errorf("station %q: it must be color, band, matte or sum", station)
	}
	if small && c.w > 1 && c.h > 1 {
		c.w, c.h = c.w/2, c.h/2
		c.pair = newPair(c.w)
	}
	if n := c.w * c.h; len(c.pixels) != n || len(c.row[0]) != c.w {
		c.pixels = make([]uint32, n)
		c.row = [3][]uint32(list.Rows[uint32](3, c.w))
	}
	return c, nil
}

// codes returns a curve's 8-bit codes of all half floats, by their bits: they are finer than a
// code. Of a matte they are those of alpha, as files of it have it, and the half floats those of 1
// - alpha.
func codes(c plate.Curve, matte bool) *[1 << 16]uint8 {
	var out [1 << 16]uint8
	e := plate.NewEncoder(c, 8)
	for i := range out {
		v := half.ToFloat32(uint16(i))
		if matte {
			v = 1 - v
		}
		out[i] = uint8(e.Code(v))
	}
	return &out
}

// add takes the next row.
func (c *screen) add(row *take.StationRow) {
	from := c.of(row)
	if c.pair != nil {
		if c.y == c.h || !c.pair.add(from, nil) { // an odd row is left over
			return
		}
		from = [3][]float32(c.pair.sum[:3])
	}
	const opaque = 0xff000000
	out, codes := c.pixels[c.y*c.w:(c.y+1)*c.w], c.codes
	c.y++
	for k := range from {
		kernel.Halves(c.row[k], from[k][:c.w])
	}
	r, g, b := c.row[0][:len(out)], c.row[1][:len(out)], c.row[2][:len(out)]
	for x := range out {
		out[x] = opaque | uint32(codes[uint16(r[x])]) | uint32(codes[uint16(g[x])])<<8 | uint32(codes[uint16(b[x])])<<16
	}
}

// read is what a frame's readings are. The troubles come as a buffer, a byte a square.
type read struct {
	Readings []reading.Reading `json:"readings"`
	Through  float64           `json:"through"` // as take.Checkup has it
	Sigma    float64           `json:"sigma"`   // of it, likewise
	Side     int               `json:"side"`    // of a square of the troubles, pixels
	W        int               `json:"w"`       // squares across
	H        int               `json:"h"`       // and down
}

// reading makes the frame anew and reads it.
func (s *session) reading(number int) (js.Value, error) {
	if err := s.monitors(); err != nil {
		return js.Undefined(), err
	}
	if _, err := s.monitor.Next(number); err != nil {
		return js.Undefined(), err
	}
	c, err := s.monitor.Read()
	if err != nil {
		return js.Undefined(), err
	}
	m := s.monitor.Troubles(c)
	at := list.Of(m.At, func(v take.Trouble) byte { return byte(v) })
	return reply(read{c.Readings, c.Through, c.ThroughSigma, m.Side, m.W, m.H}, bytesTo(at))
}

// graphics is what a graphics processor makes live frames from (wasm/viewer's live): beside it come
// two pictures of four bytes a pixel, 2 w wide. Of the first, which is 2 h high, the upper half has
// 1/(S - m . K) over its greatest, the band's dark plate, and the color's red and green; the lower
// its blue, and red, green and blue of K. Of the second the first h rows have the background. All
// are half floats, their high bytes at the left and their low bytes at the right. The last row has
// the linear light of all codes: high and low byte of the color camera's, and of the band camera's.
type graphics struct {
	W          int        `json:"w"`
	H          int        `json:"h"`
	BandW      int        `json:"band_w"`
	BandH      int        `json:"band_h"`
	Homography [9]float64 `json:"homography"`
	Radial     [2]float64 `json:"radial"`
	Center     [2]float64 `json:"center"`
	Mirror     bool       `json:"mirror"`
	Crosstalk  [3]float64 `json:"crosstalk"`
	Weights    [3]float64 `json:"weights"`
	Inverse    float64    `json:"inverse"` // the greatest 1/(S - m . K)
}

// graphics returns the arithmetic of the frame of this number.
func (s *session) graphics(number int) (js.Value, error) {
	if err := s.monitors(); err != nil {
		return js.Undefined(), err
	}
	a, err := s.monitor.Arithmetic(number)
	if err != nil {
		return js.Undefined(), err
	}
	g := &a.Geometry
	w, h := g.ColorW, g.ColorH
	const codes = 256
	if 2*w < codes {
		return js.Undefined(), fmt.Errorf("plates of %d pixels of width: they must have at least %d", w, codes/2)
	}
	out := graphics{w, h, g.BandW, g.BandH, g.Homography, g.Radial, g.Center, g.Mirror, a.Crosstalk, a.Weights, float64(slices.Max(a.Inverse.Pix))}
	hold, back := make([]byte, 4*2*w*2*h), make([]byte, 4*2*w*(h+1))
	put := func(to []byte, down, channel int, from []float32, scale float32) {
		for i, v := range from {
			bits := half.FromFloat32(v * scale)
			at := 4*((down+i/w)*2*w+i%w) + channel
			to[at], to[at+4*w] = byte(bits>>8), byte(bits)
		}
	}
	put(hold, 0, 0, a.Inverse.Pix, float32(1/out.Inverse))
	if a.DarkBand != nil {
		put(hold, 0, 1, a.DarkBand.Pix, 1)
	}
	if a.DarkColor != nil {
		put(hold, 0, 2, a.DarkColor.Pix[0], 1)
		put(hold, 0, 3, a.DarkColor.Pix[1], 1)
		put(hold, h, 0, a.DarkColor.Pix[2], 1)
	}
	for c := range 3 {
		if a.Screen != nil {
			put(hold, h, 1+c, a.Screen.Pix[c], 1)
		}
		put(back, 0, c, a.Background.Pix[c], 1)
	}
	for i := range codes {
		to := back[4*(2*w*h+i):]
		for k, curve := range []plate.Curve{a.ColorCurve, a.BandCurve} {
			bits := half.FromFloat32(float32(curve.ToLinear(float64(i) / (codes - 1))))
			to[2*k], to[2*k+1] = byte(bits>>8), byte(bits)
		}
	}
	return reply(out, bytesTo(hold), bytesTo(back))
}

// bump is how far the cameras have moved against each other.
type bump struct {
	Pixels float64 `json:"pixels"`
	Sigma  float64 `json:"sigma"`
	Moved  bool    `json:"moved"`
	Why    string  `json:"why"` // it is not known
}

// bump holds the geometry of another take of the same cameras, whose recipe lies at path, against
// that of the take that is ready.
func (s *session) bump(ctx context.Context, path string) (*bump, error) {
	if s.job == nil {
		return nil, errNotOpen
	}
	r, err := take.ReadRecipe(path)
	if err != nil {
		return nil, err
	}
	t, err := take.OpenFiles(ctx, workerFiles{}, r)
	if err != nil {
		return nil, err
	}
	found, err := t.Register(ctx)
	if err != nil {
		return &bump{Why: plain(err)}, nil
	}
	shift := take.ShiftFrom(s.job.Geometry, found.Estimate)
	return &bump{Pixels: shift.Pixels, Sigma: shift.Sigma, Moved: shift.Certain()}, nil
}

// live is call for the live page's operations.
func (s *session) live(ctx context.Context, op string, a arguments) (js.Value, error) {
	switch op {
	case "watch":
		return s.watch(a.Number, a.Stations, a.Thumbs)
	case "graphics":
		return s.graphics(a.Number)
	case "read":
		return s.reading(a.Number)
	case "bump":
		return answer(s.bump(ctx, a.Path))
	case "memory": // bytes that the browser has given, and never takes back
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		return answer(m.Sys, nil)
	}
	return js.Undefined(), fmt.Errorf("the engine has no operation %q", op)
}
