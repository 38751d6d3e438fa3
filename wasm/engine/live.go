//go:build js

package main

import (
	"context"
	"fmt"
	"runtime"
	"syscall/js"

	"example.com/twinplate/plate"
	"example.com/twinplate/reading"
	"example.com/twinplate/take"
)

// The operations of the live page (site/js/live): the take's one frame is read again and again,
// while the worker lays the cameras' newest pictures under its names (site/js/live/worker/feed.js).

// watched is a live frame. Its pictures come as buffers in their order, four bytes a pixel, and
// after them the troubles, a byte a square.
type watched struct {
	Gain     float64  `json:"gain"`
	Pictures []placed `json:"pictures"`
	Read     *read    `json:"read"` // nil where it was not asked for
}

type read struct {
	Readings []reading.Reading `json:"readings"`
	Through  float64           `json:"through"` // as take.Checkup has it
	Side     int               `json:"side"`    // of a square of the troubles, pixels
	W        int               `json:"w"`       // squares across
	H        int               `json:"h"`       // and down
}

// watch makes the frame anew and returns these of its stations as a screen shows them.
func (s *session) watch(number int, stations []string, readings bool) (js.Value, error) {
	if s.job == nil {
		return js.Undefined(), errNotOpen
	}
	if s.monitor == nil {
		s.monitor = s.job.NewMonitor()
	}
	f, err := s.monitor.Next(number)
	if err != nil {
		return js.Undefined(), err
	}
	s.frame, s.key = f, frameKey{number: number}
	out := watched{Gain: f.Gain.Value, Pictures: []placed{}}
	var buffers []js.Value
	for _, station := range stations {
		pixels, w, h, err := s.shown(station)
		if err != nil {
			out.Pictures = append(out.Pictures, placed{Station: station, Missing: plain(err)})
			continue
		}
		out.Pictures = append(out.Pictures, placed{station, w, h, ""})
		to := js.Global().Call("bytes", len(pixels))
		js.CopyBytesToJS(to, pixels)
		buffers = append(buffers, to)
	}
	if readings {
		c, err := s.monitor.Read()
		if err != nil {
			return js.Undefined(), err
		}
		m := s.monitor.Troubles(c)
		out.Read = &read{c.Readings, c.Through, m.Side, m.W, m.H}
		at := make([]byte, len(m.At))
		for i, v := range m.At {
			at[i] = byte(v)
		}
		buffers = append(buffers, bytesTo(at))
	}
	return reply(out, buffers...)
}

// shown returns a station of the frame as a screen shows it: four bytes a pixel, which the next
// call overwrites. The matte's codes are its alpha, as files of it have it.
func (s *session) shown(station string) (pixels []byte, w, h int, err error) {
	p, err := s.picture(station)
	if err != nil {
		return nil, 0, 0, err
	}
	curve := plate.SRGB
	if station == "matte" {
		curve = plate.Linear
	}
	n := 4 * p.w * p.h
	if len(s.pixels) != n {
		s.pixels = make([]byte, n)
		for i := 3; i < n; i += 4 {
			s.pixels[i] = 0xff
		}
	}
	e := plate.NewEncoder(curve, 8)
	for y := range p.h {
		i, j := y*p.w, (y+1)*p.w
		e.Pixels(s.pixels[4*i:4*j], p.plane[0][i:j], p.plane[1][i:j], p.plane[2][i:j])
	}
	return s.pixels, p.w, p.h, nil
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
		return s.watch(a.Number, a.Stations, a.Read)
	case "bump":
		return answer(s.bump(ctx, a.Path))
	case "memory": // bytes that the browser has given, and never takes back
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		return answer(m.Sys, nil)
	}
	return js.Undefined(), fmt.Errorf("the engine has no operation %q", op)
}
