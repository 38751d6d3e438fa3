package take

import (
	"fmt"
	"image"
	"math"
	"strings"
	"testing"

	"example.com/twinplate/align"
	"example.com/twinplate/composite"
	"example.com/twinplate/internal/test/tier"
	"example.com/twinplate/matte"
	"example.com/twinplate/plate"
)

// A work is the frame of bench/opencv_chain.py: the same plates, by the same formulas. As there,
// what does not change from frame to frame is prepared: the screen's color K is taken out of the
// clean band plate and the background.
type work struct {
	color, background *plate.RGB
	band              *plate.Gray
	ref               matte.References
	options           *matte.SolverOptions
	geometry          align.Geometry
}

var (
	workCrosstalk = [3]float64{0.03, 0.02, 0.005}
	workScreen    = [3]float64{0.01, 0.02, 0.001}
)

// workBand is the band plate at any place.
func workBand(x, y float64) float64 { return 0.50 + 0.35*math.Sin(0.011*x+0.007*y) }

// workClean is the clean band plate less the crosstalk from the screen's color.
func workClean(x, y float64) float64 {
	v := 0.85 + 0.10*math.Cos(0.003*x)*math.Cos(0.004*y)
	for c, k := range workScreen {
		v -= workCrosstalk[c] * k
	}
	return v
}

func newWork(w, h int) *work {
	k := &work{
		color: plate.NewRGB(w, h), background: plate.NewRGB(w, h), band: plate.NewGray(w, h),
		ref:      matte.References{CleanBand: plate.NewGray(w, h)},
		options:  &matte.SolverOptions{Crosstalk: workCrosstalk},
		geometry: align.Identity(w, h),
	}
	k.geometry.Homography = [9]float64{1.001, 0.002, 3.3, -0.002, 0.999, -2.1, 1e-7, 2e-7, 1}
	for y := range h {
		for x := range w {
			i, x, y := y*w+x, float64(x), float64(y)
			for c := range 3 {
				f := float64(c)
				k.color.Pix[c][i] = float32(0.25 + 0.15*math.Sin(0.013*x+f)*math.Cos(0.017*y-f))
				k.background.Pix[c][i] = float32(0.40 + 0.30*math.Cos(0.005*x+2*f)*math.Sin(0.006*y+f) - workScreen[c])
			}
			k.band.Pix[i] = float32(workBand(x, y))
			k.ref.CleanBand.Pix[i] = float32(workClean(x, y))
		}
	}
	return k
}

func (k *work) chain(t testing.TB) *Chain {
	s, err := matte.NewSolver(k.color.W, k.color.H, k.ref, k.options)
	if err != nil {
		t.Fatal(err)
	}
	c, err := NewChain(align.NewResampler(k.geometry), s)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// OpenCV 4.6.0, as bench/opencv_chain.py prints it under "probe": t and the composite at one pixel.
// OpenCV's cubic kernel has a = -0.75, which bends a straight slope by up to 0.05 of a pixel (Keys
// 1981: only a = -0.5 does not), and its fractions of a pixel are rounded to 1/32. The band plate's
// slope over the screen's brightness is 0.008 a pixel at the most, along x and y together: 5e-4.
// The formulas themselves are met by 1e-5.
func TestChainAgainstOpenCV(t *testing.T) {
	for _, row := range []struct {
		w, h  int
		probe map[image.Point][4]float32
	}{
		{1920, 1080, map[image.Point][4]float32{
			{X: 240, Y: 135}:  {0.36153, 0.41732, 0.2483, 0.27903},
			{X: 960, Y: 540}:  {0.91604, 0.61745, 0.3473, 0.89625},
			{X: 1680, Y: 270}: {0.96418, 0.47325, 0.63699, 0.62623},
			{X: 720, Y: 810}:  {0.87662, 0.82864, 0.38114, 0.5378},
		}},
		{4096, 2160, map[image.Point][4]float32{
			{X: 512, Y: 270}:   {0.96723, 0.37838, 0.46307, 0.4186},
			{X: 2048, Y: 1080}: {0.17732, 0.44398, 0.37165, 0.35717},
			{X: 3584, Y: 540}:  {0.28111, 0.28087, 0.34247, 0.34172},
			{X: 1536, Y: 1620}: {0.58674, 0.36982, 0.6577, 0.40396},
		}},
	} {
		if tier.Quick() && row.w > 2000 {
			continue
		}
		k := newWork(row.w, row.h)
		out, tr := plate.NewRGB(row.w, row.h), plate.NewGray(row.w, row.h)
		if err := k.chain(t).Comp(out, tr, k.color, k.band, k.background, 1); err != nil {
			t.Fatal(err)
		}
		for p, want := range row.probe {
			i := p.Y*row.w + p.X
			got := [4]float32{tr.Pix[i], out.Pix[0][i], out.Pix[1][i], out.Pix[2][i]}
			bx, by := k.geometry.Map(float64(p.X), float64(p.Y))
			exact := workBand(bx, by)
			for c := range 3 {
				exact -= workCrosstalk[c] * float64(k.color.Pix[c][i])
			}
			if exact = math.Min(math.Max(exact/workClean(float64(p.X), float64(p.Y)), 0), 1); math.Abs(float64(got[0])-exact) > 1e-5 {
				t.Errorf("%dx%d at %v: t is %.6f, and by the formulas %.6f", row.w, row.h, p, got[0], exact)
			}
			for n := range want {
				if d := math.Abs(float64(got[n] - want[n])); !(d < 5e-4) {
					t.Errorf("%dx%d at %v: t and the composite are %.5f, OpenCV has %.5f", row.w, row.h, p, got, want)
					break
				}
			}
		}
	}
}

// In one pass the same comes out as step by step, by the same kernels, to the last bit.
func TestChainIsTheSteps(t *testing.T) {
	k := newWork(301, 150)
	k.geometry.Mirror = true
	for _, clamp := range []matte.Clamp{matte.ClampTransmission, matte.ClampNone, matte.ClampAll} {
		k.options.Clamp = clamp
		c := k.chain(t)
		b := c.resampler.Gray(nil, k.band)
		s, err := c.solver.Solve(nil, k.color, b, 0.9)
		if err != nil {
			t.Fatal(err)
		}
		want, err := composite.HoldOut(nil, s.Foreground, s.Transmission, k.background)
		if err != nil {
			t.Fatal(err)
		}
		out, tr := plate.NewRGB(301, 150), plate.NewGray(301, 150)
		if err := c.Comp(out, tr, k.color, k.band, k.background, 0.9); err != nil {
			t.Fatal(err)
		}
		for i := range tr.Pix {
			// The last pixels of a row may come from the plain loop, whose products are not fused.
			if math.Abs(float64(tr.Pix[i]-s.Transmission.Pix[i])) > 1e-6 || math.Abs(float64(out.Pix[1][i]-want.Pix[1][i])) > 1e-6 {
				t.Fatalf("clamp %d, pixel %d: %v and %v, step by step %v and %v", clamp, i, tr.Pix[i], out.Pix[1][i], s.Transmission.Pix[i], want.Pix[1][i])
			}
		}
	}
}

func TestChainErrors(t *testing.T) {
	k := newWork(40, 30)
	c := k.chain(t)
	out, tr := plate.NewRGB(40, 30), plate.NewGray(40, 30)
	for _, row := range []struct {
		want string
		do   func() error
	}{
		{"composite is 3x3", func() error { return c.Comp(plate.NewRGB(3, 3), tr, k.color, k.band, k.background, 1) }},
		{"transmission is 3x3", func() error { return c.Comp(out, plate.NewGray(3, 3), k.color, k.band, k.background, 1) }},
		{"color plate is 3x3", func() error { return c.Comp(out, tr, plate.NewRGB(3, 3), k.band, k.background, 1) }},
		{"band plate is 3x3", func() error { return c.Comp(out, tr, k.color, plate.NewGray(3, 3), k.background, 1) }},
		{"background is 3x3", func() error { return c.Comp(out, tr, k.color, k.band, plate.NewRGB(3, 3), 1) }},
		{"positive number", func() error { return c.Comp(out, tr, k.color, k.band, k.background, 0) }},
		{"color plate: green at pixel (7, 1)", func() error {
			bad := k.color.Clone()
			bad.Pix[1][47] = float32(math.NaN())
			return c.Comp(out, tr, bad, k.band, k.background, 1)
		}},
		{"39x30", func() error {
			_, err := NewChain(align.NewResampler(align.Identity(39, 30)), c.solver)
			return err
		}},
	} {
		if err := row.do(); err == nil || !strings.Contains(err.Error(), row.want) {
			t.Errorf("the error is %v, want %q in it", err, row.want)
		}
	}
}

func ExampleChain() {
	// A dot of band light comes through a shift by two pixels: there the background is seen.
	color, band, background := plate.NewRGB(4, 1), plate.NewGray(4, 1), plate.NewRGB(4, 1)
	clean := plate.NewGray(4, 1)
	clean.Fill(1)
	band.Pix[3] = 1
	background.Fill(0.5, 0.5, 0.5)
	g := align.Identity(4, 1)
	g.Homography[2] = 2
	solver, err := matte.NewSolver(4, 1, matte.References{CleanBand: clean}, nil)
	if err != nil {
		fmt.Println(err)
		return
	}
	chain, err := NewChain(align.NewResampler(g), solver)
	if err != nil {
		fmt.Println(err)
		return
	}
	out, t := plate.NewRGB(4, 1), plate.NewGray(4, 1)
	if err := chain.Comp(out, t, color, band, background, 1); err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(t.Pix)
	fmt.Println(out.Pix[0])
	// Output:
	// [0 1 1 1]
	// [0 0.5 0.5 0.5]
}

// BenchmarkFrame is the work of bench/opencv_chain.py; /copy copies as many bytes as its composite
// part reads and writes. GOMAXPROCS sets the number of threads (-cpu does not reach within a
// benchmark).
func BenchmarkFrame(b *testing.B) {
	for _, size := range [][2]int{{1920, 1080}, {4096, 2160}} {
		w, h := size[0], size[1]
		k := newWork(w, h)
		c := k.chain(b)
		out, tr := plate.NewRGB(w, h), plate.NewGray(w, h)
		resampled := c.resampler.Gray(nil, k.band)
		name := fmt.Sprintf("%dx%d/", w, h)
		b.Run(name+"frame", func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if err := c.Comp(out, tr, k.color, k.band, k.background, 1); err != nil {
					b.Fatal(err)
				}
			}
		})
		b.Run(name+"resample", func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				c.resampler.Gray(resampled, k.band)
			}
		})
		// The band plate, 1/(S - m . K), three planes each of color and background are read; t and
		// three planes of the composite are written.
		const read, written = 8, 4
		b.Run(name+"composite", func(b *testing.B) {
			b.SetBytes((read + written) * 4 * int64(w*h))
			b.ReportAllocs()
			for b.Loop() {
				if err := c.solve(&solving{color: whole{k.color}, band: resampled, background: whole{k.background}, gain: 1, transmission: tr, comp: out}, 1); err != nil {
					b.Fatal(err)
				}
			}
		})
		b.Run(name+"copy", func(b *testing.B) {
			from, to := make([]float32, (read+written)*w*h/2), make([]float32, (read+written)*w*h/2)
			for i := range from {
				from[i] = 1
			}
			b.SetBytes((read + written) * 4 * int64(w*h))
			for b.Loop() {
				copy(to, from)
			}
		})
	}
}
