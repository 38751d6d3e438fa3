package main

import (
	"cmp"
	"fmt"
	"math"

	"example.com/twinplate/internal/app/proof"
	"example.com/twinplate/internal/list"
	"example.com/twinplate/internal/robust"
)

type proofCommand struct {
	Takes        *int   `help:"How many takes: 20, or 40 with --footage." placeholder:"N"`
	Seed         uint64 `help:"Seed of the first take; the others follow. Another seed gives other faults, other noise and another scene." default:"1"`
	Frames       int    `help:"Frames of each take: 16, or 8 with --registration, or mixed with --footage." placeholder:"N"`
	Pier         bool   `help:"The demo's scene instead of plain cutouts."`
	Check        bool   `xor:"job" help:"Try check instead: whether it names each fault of a test shot, and raises no alarm where there is none."`
	Registration bool   `xor:"job" help:"Measure the geometry alone, from footage and from a chart, and the frame offset."`
	Footage      bool   `xor:"job" help:"Do the job and the check on takes that another program drew: geometry, matte, stated errors and warnings."`
	Script       string `help:"With --footage, the program that draws them, of Python." default:"testdata/footage/film.py" placeholder:"FILE"`
	Size         string `help:"Size of the plates: 1920x1080 with --registration, mixed with --footage." placeholder:"WxH"`
	JSON         bool   `name:"json" help:"Print one JSON object instead of a table."`
}

func (proofCommand) Help() string {
	return examples("twinplate proof", "twinplate proof --seed 1000 --takes 5 --pier", "twinplate proof --check --takes 3 --seed 500", "twinplate proof --registration --seed 1000", "twinplate proof --footage --takes 5 --size 640x360") + `

Each take of 640x360 pixels has random faults: an uneven screen (to 2 stops), lamps that drift (to 10 %) and flicker, crosstalk (m to 0.05, K to 0.04), noise (0.5 to 2 %), blur, and a band camera that is mirrored, moved, turned and distorted. The columns:

  floor      the noise that the cameras' own noise gives the matte when everything is known, in % of alpha
  clean      the matte's error over the floor: clean plates were shot, the geometry is given
  rebuilt    nobody shot clean plates, the geometry is given
  estimated  clean plates were shot, the geometry is estimated from the footage
  px         that geometry's error over the frame
  m, K, g    the largest error of crosstalk and gain, in their own standard errors

With --registration, each rig stands before the demo's scene with every fault on, noise of 1 % of full scale in the dark and photon noise besides: turned to 3 degrees, scaled to 5 %, with keystone, radial distortion to 1 % at the corner, moved to 80 of 1920 pixels, mirrored or not. The columns:

  edges      the error at the performer's edges of the geometry from the footage's frames alone, in pixels (RMS)
  stated     the error there that the estimate states
  frame      the error over the whole frame, most of which is extrapolated
  3 sigma    the part of the frame's points whose error is within three of the stated errors
  chart      the error over the whole frame of the geometry from one view of a printed chart
  offset     by how many frames the band camera was started late, and whether the motion tells; from a take of 72 frames of 128x72
  s          seconds for the geometry from footage
  warned     whether the estimate warns that it may be off

With --footage, testdata/footage/film.py (Debian's python3-opencv and python3-skimage, FFmpeg) draws takes that nothing of the library has a part in: performers cut from photographs, three lights, a fault in every second take, codecs, with and without reference plates. The columns:

  take       size, frames, performer and height in the frame, photograph, light, m, noise, codec, -plates not shot, faults
  edges      the geometry's error in band pixels (RMS) where alpha is 0.05 to 0.95 before the screen; what is stated of it; their ratio
  frame      its error over the frame
  matte      the matte's error over what the files' noise gives it when all else is known; and the same at the edges
  open...    the matte's error over the stated sigma, in open screen, core and edges
  warns      the warnings, notes and readings that say that something is wrong
  verdict    panic; silent: over 0.3 px or twice the floor and no warning says so; short of a target; good`
}

// proofReport is what `proof --json` prints.
type proofReport struct {
	Takes  []proof.TakeResult `json:"takes"`
	Within proofCounts        `json:"within"`
}

// What the proofs hold a take to, as DEVELOPERS.md and docs/measured.md have it. The names of their
// counts in JSON have these numbers in them.
const (
	aimClean     = 1.05 // times the noise floor, with clean plates
	aimRebuilt   = 1.5  // without
	aimEstimated = 1.1  // with the geometry from the footage
	aimErrors    = 3    // standard errors
	aimEdges     = 0.10 // px at the edges
	aimChart     = 0.03 // px over the frame
	aimBar       = 0.95 // of a rig's points within three standard errors: the normal distribution has 0.997
)

// proofCounts say how many takes keep to each limit.
type proofCounts struct {
	Clean     int `json:"clean_1.05"`
	Rebuilt   int `json:"rebuilt_1.5"`
	Estimated int `json:"estimated_1.1"`
	M         int `json:"m_3_sigma"`
	K         int `json:"k_3_sigma"`
	G         int `json:"g_3_sigma"`
}

func (c *proofCounts) add(l proof.TakeResult) {
	for _, x := range []struct {
		n        *int
		v, limit float64
	}{{&c.Clean, l.Clean, aimClean}, {&c.Rebuilt, l.Rebuilt, aimRebuilt}, {&c.Estimated, l.Estimated, aimEstimated}, {&c.M, l.M, aimErrors}, {&c.K, l.K, aimErrors}, {&c.G, l.G, aimErrors}} {
		if x.v <= x.limit {
			*x.n++
		}
	}
}

func (c *proofCommand) Run(t *terminal) error {
	if c.Takes == nil {
		c.Takes = new(20)
		if c.Footage {
			c.Takes = new(40)
		}
	}
	if n := *c.Takes; n < 1 || n > 10000 {
		return usageError{fmt.Errorf("--takes %d: it must be 1 to 10000", n)}
	}
	if c.Registration {
		return c.registration(t)
	}
	if c.Footage {
		return c.footage(t)
	}
	c.Frames = cmp.Or(c.Frames, 16)
	if c.Frames < 4 || c.Frames > 1000 {
		return usageError{fmt.Errorf("--frames %d: it must be 4 to 1000", c.Frames)}
	}
	if c.Check {
		return c.check(t)
	}
	var r proofReport
	if !c.JSON {
		t.printf("%6s  %6s  %6s %8s %10s  %6s  %5s %5s %5s\n", "seed", "floor", "clean", "rebuilt", "estimated", "px", "m", "K", "g")
	}
	for i := range *c.Takes {
		line, err := proof.Take(t.ctx, c.Seed+uint64(i), &proof.TakeOptions{Frames: c.Frames, Pier: c.Pier})
		if err != nil {
			return err
		}
		r.Within.add(line)
		if c.JSON {
			for _, v := range []*float64{&line.Clean, &line.Rebuilt, &line.Estimated} {
				if math.IsNaN(*v) {
					*v = -1 // JSON has no NaN
				}
			}
		} else {
			t.printf("%6d  %5.2f%%  %6.3f %8.3f %10.3f  %6.3f  %5.1f %5.1f %5.1f\n", line.Seed, 100*line.Floor, line.Clean, line.Rebuilt, line.Estimated, line.Geometry, line.M, line.K, line.G)
			if line.Failed != "" {
				t.printf("        %s\n", line.Failed)
			}
		}
		r.Takes = append(r.Takes, line)
	}
	if c.JSON {
		return t.object(r)
	}
	median := func(of func(proof.TakeResult) float64) float64 {
		return robust.Median(list.Of(r.Takes, of))
	}
	w := r.Within
	t.printf("\nof %d takes: clean within 1.05 in %d (median %.3f), rebuilt within 1.5 in %d (median %.3f), estimated within 1.1 in %d (median %.3f)\n", *c.Takes,
		w.Clean, median(func(l proof.TakeResult) float64 { return l.Clean }), w.Rebuilt, median(func(l proof.TakeResult) float64 { return l.Rebuilt }), w.Estimated, median(func(l proof.TakeResult) float64 { return l.Estimated }))
	t.printf("m within three standard errors in %d, K in %d, g in %d\n", w.M, w.K, w.G)
	return nil
}
