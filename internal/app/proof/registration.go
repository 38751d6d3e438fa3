package proof

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"time"

	"example.com/twinplate/align"
	"example.com/twinplate/plate"
	"example.com/twinplate/rig/simulate"
)

// A RegistrationLine is one rig: what is found about its geometry and its clocks. What could not be
// found is -1.
type RegistrationLine struct {
	Seed   uint64          `json:"seed"`
	Faults simulate.Faults `json:"faults"`

	// From footage. The errors are root mean squares in band pixels.
	Edges    float64  `json:"edges_px"`        // where the performer's alpha has an edge
	Stated   float64  `json:"stated_edges_px"` // what the estimate says of it
	Frame    float64  `json:"frame_px"`        // over the whole frame
	Within   float64  `json:"within_3_sigma"`  // part of the frame's points whose error is within three of the stated errors
	Model    string   `json:"model"`
	Warnings []string `json:"warnings"`
	Seconds  float64  `json:"seconds"`

	Chart float64 `json:"chart_px"` // from one view of a chart: the error over the whole frame

	Late   int  `json:"late"`       // frames that the band camera was started late
	Offset bool `json:"late_found"` // that number is what the motion says

	Failed string `json:"failed,omitempty"` // what could not be done
}

// registrationRig is a band camera that nobody set up with care: moved by up to 80 pixels of 1920,
// turned by up to 3 degrees, scaled by up to 5 %, with a keystone that moves each corner by up to
// 0.8 % of the width, and up to 1 % of radial distortion at the corner; mirrored or not.
func registrationRig(w, h int, seed uint64) (align.Geometry, error) {
	r := rand.New(rand.NewPCG(seed, 0x9e1))
	u := func(a float64) float64 { return (2*r.Float64() - 1) * a }
	g := align.Identity(w, h)
	moved, angle := 80./1920*float64(w)*math.Sqrt(r.Float64()), u(math.Pi)
	sin, cos := math.Sincos(u(3 * math.Pi / 180))
	scale, keystone := 1+u(0.05), 0.008*float64(w)
	var from, to [][2]float64
	for _, p := range g.Grid(2) {
		x, y := p.Color[0]-g.Center[0], p.Color[1]-g.Center[1]
		from = append(from, p.Color)
		to = append(to, [2]float64{
			scale*(cos*x-sin*y) + g.Center[0] + moved*math.Cos(angle) + u(keystone),
			scale*(sin*x+cos*y) + g.Center[1] + moved*math.Sin(angle) + u(keystone),
		})
	}
	var err error
	g.Homography, err = align.FitHomography(from, to)
	g.Radial[0] = u(0.01)
	g.Mirror = r.IntN(2) == 1
	return g, err
}

// registrationFaults are random faults with noise of 1 % of full scale in the dark, and with those
// that RandomFaults leaves out: light of the lamps on the performer, glare, a filter that leaks in
// the corners, a softer band lens.
func registrationFaults(seed uint64, r *rand.Rand) simulate.Faults {
	f := simulate.RandomFaults(seed)
	f.ReadNoise, f.PhotonNoise, f.Bits = 0.01, 20000, 12
	f.Spill, f.SpillSide = 0.03*r.Float64(), 2*r.Float64()-1
	f.Glare, f.CornerLeak, f.BandBlur = 0.01*r.Float64(), 0.5*r.Float64(), 0.6*r.Float64()
	return f
}

// Registration simulates the rig of a seed before the demo's scene and before a chart, and finds
// its geometry from the footage alone and from the chart, and the cameras' offset from a longer
// take of small frames.
func Registration(ctx context.Context, seed uint64, opt *TakeOptions) (RegistrationLine, error) {
	o := opt.filled(1920, 1080, 8)
	r := rand.New(rand.NewPCG(seed, 0x4e6))
	line := RegistrationLine{Seed: seed, Faults: registrationFaults(seed, r), Late: r.IntN(49) - 24, Edges: -1, Stated: -1, Frame: -1, Chart: -1}
	truth, err := registrationRig(o.W, o.H, seed)
	if err != nil {
		return line, err
	}
	for _, part := range []struct {
		what string
		do   func() error
	}{
		{"from footage", func() error { return line.footage(ctx, o, truth) }},
		{"from a chart", func() error { return line.chart(ctx, o, truth) }},
		{"the offset", func() error { return line.offset(ctx) }},
	} {
		if err := part.do(); err != nil {
			line.Failed += fmt.Sprintf("%s: %v; ", part.what, err)
		}
		if ctx.Err() != nil {
			return line, ctx.Err()
		}
	}
	return line, nil
}

// takeFrames is how many frames the performer takes for one step and the coiling of the rope.
const takeFrames = 48

// footage measures the geometry from frames spread over a take.
func (l *RegistrationLine) footage(ctx context.Context, o TakeOptions, truth align.Geometry) error {
	set := simulate.New(simulate.Pier{Seed: l.Seed, Frames: takeFrames}, o.W, o.H, o.W, o.H, truth, l.Faults, l.Seed)
	pairs := make([]align.Pair, o.Frames)
	alpha := make([]*plate.Gray, o.Frames)
	for i := range pairs { // each frame is drawn on all cores
		if err := ctx.Err(); err != nil {
			return err
		}
		shot := set.Frame(i * takeFrames / o.Frames)
		pairs[i], alpha[i] = align.Pair{Color: shot.Color, Band: shot.Band}, shot.Truth.Alpha
	}
	start := time.Now()
	e, err := align.FromFootage(ctx, pairs, nil)
	if err != nil {
		return err
	}
	l.Seconds = time.Since(start).Seconds()
	l.Edges, l.Stated = edgeErrors(e, truth, alpha)
	l.Frame, l.Model, l.Warnings = align.RMS(truth, e.Geometry), e.Model, e.Warnings
	grid := truth.Grid(33)
	for _, p := range grid {
		x, y := e.Geometry.Map(p.Color[0], p.Color[1])
		if math.Hypot(x-p.Band[0], y-p.Band[1]) <= 3*e.Sigma(p.Color[0], p.Color[1]) {
			l.Within += 1 / float64(len(grid))
		}
	}
	return nil
}

// edgeErrors returns the error and the stated error where alpha rises by 7 % or more a pixel.
func edgeErrors(e *align.Estimate, truth align.Geometry, alpha []*plate.Gray) (found, stated float64) {
	n := 0.0
	for _, f := range alpha {
		for y := 1; y < f.H-1; y++ {
			for x := 1; x < f.W-1; x++ {
				i := y*f.W + x
				gx, gy := f.Pix[i+1]-f.Pix[i-1], f.Pix[i+f.W]-f.Pix[i-f.W]
				if gx*gx+gy*gy < 0.02 {
					continue
				}
				tx, ty := truth.Map(float64(x), float64(y))
				ex, ey := e.Geometry.Map(float64(x), float64(y))
				s := e.Sigma(float64(x), float64(y))
				found += (tx-ex)*(tx-ex) + (ty-ey)*(ty-ey)
				stated += s * s
				n++
			}
		}
	}
	return math.Sqrt(found / n), math.Sqrt(stated / n)
}

// chart measures the geometry from one view of a printed chart.
func (l *RegistrationLine) chart(ctx context.Context, o TakeOptions, truth align.Geometry) error {
	sheet, err := newSheet(l.Seed)
	if err != nil {
		return err
	}
	f := l.Faults
	f.Crosstalk, f.ScreenColor = [3]float64{0.3, 0.3, 0.2}, [3]float64{} // white light has the line in it, and no lamp is on
	shot := simulate.New(sheet, o.W, o.H, o.W, o.H, truth, f, l.Seed).Frame(0)
	e, err := align.FromChart(ctx, []align.Pair{{Color: shot.Color, Band: shot.Band}})
	if err != nil {
		return err
	}
	l.Chart = align.RMS(truth, e.Geometry)
	return nil
}

// A sheet is a scene: a printed chart, a little larger than the frame, tilted and unevenly lit.
type sheet struct {
	print  *plate.Gray
	corner [4][2]float64 // of the frame on the sheet, as parts of its width and height
	light  [2]float64    // how much lighter it is at the right and at the bottom
}

func newSheet(seed uint64) (*sheet, error) {
	c, err := align.NewChart(420, 297, 0)
	if err != nil {
		return nil, err
	}
	m, err := c.Image(200)
	if err != nil {
		return nil, err
	}
	r := rand.New(rand.NewPCG(seed, 0xc4a7))
	u := func(a float64) float64 { return (2*r.Float64() - 1) * a }
	s := &sheet{print: plate.NewGray(m.Rect.Dx(), m.Rect.Dy()), light: [2]float64{u(0.3), u(0.3)}}
	for i, v := range m.Pix {
		s.print.Pix[i] = float32(v) / 255
	}
	sin, cos := math.Sincos(u(5 * math.Pi / 180))
	for i := range s.corner {
		x, y := 0.42*float64(2*(i%2)-1)+u(0.03), 0.33*float64(2*(i/2)-1)+u(0.03)
		s.corner[i] = [2]float64{0.5 + cos*x - sin*y*297/420, 0.5 + sin*x*420/297 + cos*y}
	}
	return s, nil
}

// Draw implements simulate.Scene.
func (s *sheet) Draw(_, w, h int) (*plate.RGB, *plate.Gray) {
	g := align.NewGeometry(w, h, s.print.W, s.print.H)
	var from, to [][2]float64
	for i, p := range g.Grid(2) {
		from, to = append(from, p.Color), append(to, [2]float64{s.corner[i][0] * float64(s.print.W), s.corner[i][1] * float64(s.print.H)})
	}
	var err error
	if g.Homography, err = align.FitHomography(from, to); err != nil {
		panic(err) // the corners are near a rectangle's
	}
	seen := align.Lanczos3.NewResampler(g).Gray(nil, s.print)
	p := plate.NewRGB(w, h)
	for i, v := range seen.Pix {
		x, y := 2*float64(i%w)/float64(w)-1, 2*float64(i/w)/float64(h)-1
		light := float32((0.04 + 0.7*float64(v)) * (1 + s.light[0]*x + s.light[1]*y) / 1.6)
		for c, tint := range [3]float32{1, 0.9, 0.7} {
			p.Pix[c][i] = tint * light
		}
	}
	return p, plate.NewGray(w, h)
}

// The take by which the offset is found.
const (
	clockW, clockH = 128, 72
	clockTake      = 72
)

// offset finds by how much the band camera was started late.
func (l *RegistrationLine) offset(ctx context.Context) error {
	small, err := registrationRig(clockW, clockH, l.Seed)
	if err != nil {
		return err
	}
	f := l.Faults
	f.FrameOffset = l.Late
	set := simulate.New(simulate.Pier{Seed: l.Seed, Frames: takeFrames}, clockW, clockH, clockW, clockH, small, f, l.Seed)
	var c align.Clocks
	for i := range clockTake {
		shot := set.Frame(i)
		if err := cmp.Or(c.AddColor(shot.Color), c.AddBand(shot.Band)); err != nil {
			return err
		}
	}
	e, err := c.Offset(ctx, 48)
	if err != nil {
		return err
	}
	l.Offset = e.Frames == l.Late
	return nil
}
