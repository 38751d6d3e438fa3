// Package proof measures the whole job on simulated takes with random faults, of which the truth is
// known: files are written, read and solved by package take like any other take. It is what
// `twinplate proof` prints.
package proof

import (
	"cmp"
	"context"
	"fmt"
	"image"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"sync"

	"example.com/twinplate/align"
	"example.com/twinplate/internal/parallel"
	"example.com/twinplate/plate"
	"example.com/twinplate/rig/simulate"
	"example.com/twinplate/take"
)

// TakeOptions say what is simulated. The zero value means the defaults.
type TakeOptions struct {
	W, H   int  // of both plates; 0: 640x360, or of Registration 1920x1080
	Frames int  // of each take; 0: 16; or that Registration finds the geometry from; 0: 8
	Pier   bool // the demo's scene, as Registration always has it, instead of the plain cutouts
}

// filled returns the options with these in place of what is 0.
func (o *TakeOptions) filled(w, h, frames int) (f TakeOptions) {
	f = *cmp.Or(o, &TakeOptions{})
	if f.W == 0 {
		f.W, f.H = w, h
	}
	f.Frames = cmp.Or(f.Frames, frames)
	return f
}

// A TakeResult is one take.
type TakeResult struct {
	Seed   uint64          `json:"seed"`
	Faults simulate.Faults `json:"faults"`
	Floor  float64         `json:"floor"` // the noise floor, as RMS of alpha over the frame

	// RMSE of the matte over the floor.
	Clean     float64 `json:"clean"`           // with clean plates, the geometry given
	Rebuilt   float64 `json:"rebuilt"`         // without them, the geometry given
	Estimated float64 `json:"estimated"`       // with them, the geometry from the footage
	Geometry  float64 `json:"geometry_rms_px"` // that geometry's error, over the frame

	// The largest error over its own standard error.
	M float64 `json:"m"` // of red, green and blue, with clean plates
	K float64 `json:"k"` // of red, green and blue, without them
	G float64 `json:"g"` // over all frames, with clean plates

	Failed string `json:"failed,omitempty"` // what could not be done
}

// geometry is how a random band camera sits: mirrored, moved, turned by up to a degree, framed 2 to
// 5 % wider, with some keystone and distortion.
func geometry(w, h int, seed uint64) align.Geometry {
	r := rand.New(rand.NewPCG(seed, 0x9e0))
	g := align.Identity(w, h)
	u := func(a float64) float64 { return a * (2*r.Float64() - 1) }
	angle, scale := u(math.Pi/180), 0.965+u(0.012)
	cx, cy := float64(w-1)/2, float64(h-1)/2
	c, s := scale*math.Cos(angle), scale*math.Sin(angle)
	g.Homography = [9]float64{
		c, -s, cx - c*cx + s*cy + u(0.006)*float64(w),
		s, c, cy - s*cx - c*cy + u(0.006)*float64(h),
		u(0.003) / float64(w), u(0.003) / float64(w), 1,
	}
	g.Mirror = true
	g.Radial = [2]float64{u(0.004), 0}
	return g
}

// Take simulates the take of a seed in a folder of its own, which is removed again, and measures
// it.
func Take(ctx context.Context, seed uint64, opt *TakeOptions) (TakeResult, error) {
	dir, err := os.MkdirTemp("", "twinplate-proof-*")
	if err != nil {
		return TakeResult{}, err
	}
	defer os.RemoveAll(dir)
	s := newShoot(dir, seed, opt.filled(640, 360, 16), simulate.RandomFaults(seed))
	s.stride = 3 // the performer moves a good deal between frames, as over a long take
	if err := s.write(ctx); err != nil {
		return TakeResult{}, err
	}
	line := TakeResult{Seed: seed, Faults: s.faults, Floor: s.floor.RMS()}
	given := s.recipe()
	for _, r := range []struct {
		name   string
		recipe take.Recipe
		ratio  *float64
	}{
		{"with clean plates", given, &line.Clean},
		{"without clean plates", without(given), &line.Rebuilt},
		{"with the geometry estimated", estimated(given), &line.Estimated},
	} {
		*r.ratio = math.NaN()
		if err := s.measure(ctx, r.recipe, r.ratio, &line); err != nil {
			if ctx.Err() != nil {
				return line, err
			}
			line.Failed += fmt.Sprintf("%s: %v; ", r.name, err)
		}
		*r.ratio /= line.Floor
	}
	return line, nil
}

func without(r take.Recipe) take.Recipe {
	r.CleanBand, r.CleanColor = "", ""
	return r
}

func estimated(r take.Recipe) take.Recipe {
	r.Geometry = take.Choice[align.Geometry]{}
	return r
}

// A shoot is a simulated take and its truth.
type shoot struct {
	dir      string
	o        TakeOptions
	faults   simulate.Faults
	geometry align.Geometry
	set      *simulate.Simulator
	floor    *Floor
	truth    []simulate.Truth // of frame n at n-1
	stride   int              // instants of the scene from frame to frame
}

func newShoot(dir string, seed uint64, o TakeOptions, f simulate.Faults) *shoot {
	s := &shoot{dir: dir, o: o, faults: f, geometry: geometry(o.W, o.H, seed), truth: make([]simulate.Truth, o.Frames), stride: 1}
	var scene simulate.Scene = simulate.Cutouts{Seed: seed}
	if o.Pier {
		scene = simulate.Pier{Seed: seed, Frames: o.Frames}
	}
	s.set = simulate.New(scene, o.W, o.H, o.W, o.H, s.geometry, s.faults, seed)
	s.floor = NewFloor(scene, o.W, o.H, s.geometry, s.faults, seed)
	return s
}

func (s *shoot) file(name string) string { return filepath.Join(s.dir, filepath.FromSlash(name)) }

func (s *shoot) write(ctx context.Context) error {
	for _, d := range []string{"color", "band"} {
		if err := os.MkdirAll(s.file(d), 0o777); err != nil {
			return err
		}
	}
	opt := &plate.WriteOptions{Curve: plate.Linear, Depth: 16}
	for name, f := range map[string]image.Image{"clean_band": s.set.CleanBand(), "clean_color": s.set.CleanColor(), "dark_band": s.set.DarkBand(), "dark_color": s.set.DarkColor()} {
		if err := plate.Write(s.file(name+".tif"), f, opt); err != nil {
			return err
		}
	}
	return parallel.Try(ctx, s.o.Frames, 0, func(i int) error {
		shot := s.set.Frame(s.stride * i)
		s.truth[i] = shot.Truth
		s.floor.Add(shot.Truth)
		if err := plate.Write(s.file(fmt.Sprintf("color/%04d.tif", i+1)), shot.Color, opt); err != nil {
			return err
		}
		return plate.Write(s.file(fmt.Sprintf("band/%04d.tif", i+1)), shot.Band, opt)
	})
}

func (s *shoot) recipe() take.Recipe {
	return take.Recipe{
		Color: s.file("color"), Band: s.file("band"), ColorCurve: "linear", BandCurve: "linear",
		CleanBand: s.file("clean_band.tif"), CleanColor: s.file("clean_color.tif"), DarkBand: s.file("dark_band.tif"), DarkColor: s.file("dark_color.tif"),
		Geometry: take.Given(s.geometry), Clamp: "none",
	}
}

// measure runs the job by a recipe, and puts the matte's RMSE into rmse.
func (s *shoot) measure(ctx context.Context, r take.Recipe, rmse *float64, line *TakeResult) error {
	opened, err := take.Open(r)
	if err != nil {
		return err
	}
	job, err := opened.Prepare(ctx)
	if err != nil {
		return err
	}
	var mu sync.Mutex
	var sum Squares
	g := 0.0
	report, err := job.Run(ctx, &take.RunOptions{Each: func(x *take.Result) error {
		truth := s.truth[x.Number-1]
		var frame Squares
		for i, t := range x.Transmission.Pix {
			frame.Add(float64(1-t) - float64(truth.Alpha.Pix[i]))
		}
		mu.Lock()
		defer mu.Unlock()
		sum.Join(frame)
		g = max(g, math.Abs(x.Gain.Value-truth.Gain)/x.Gain.Sigma)
		return nil
	}})
	if err != nil {
		return err
	}
	if len(report.Failed) > 0 {
		return fmt.Errorf("frame %d: %s", report.Failed[0].Frame, report.Failed[0].Error)
	}
	*rmse = sum.RMS()
	switch {
	case r.Geometry.Mode == "":
		line.Geometry = align.RMS(job.Geometry, s.geometry)
	case r.CleanBand != "":
		line.G = g
		for c, m := range s.faults.Crosstalk {
			line.M = max(line.M, math.Abs(job.Crosstalk[c]-m)/job.CrosstalkSigma[c])
		}
	case job.ScreenColor != nil:
		for c, k := range s.faults.ScreenColor {
			line.K = max(line.K, math.Abs(job.ScreenColor.Ratio[c]-k/s.faults.ScreenLevel)/job.ScreenColor.Sigma[c])
		}
	}
	return nil
}
