package take

import (
	"context"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"example.com/twinplate/align"
	"example.com/twinplate/internal/test/tier"
	"example.com/twinplate/plate"
)

// A drawing is a take drawn here, with nothing of package rig: cameras in line, linear 16-bit PNG.
type drawing struct {
	p       func(x, y float64, frame int) (rgb [3]float64, alpha float64) // x and y in parts of the height, from the middle
	screen  func(x, y float64) float64
	k       [3]float64
	sensor  [3]float64 // of the band camera's red, green and blue; zero: a gray file
	noise   float64
	nobody  bool // in the frames
	without bool // reference plates
	size    int  // times 240 by 136 pixels; 0: once
	coded   bool // by the curve of IEC 61966-2-1, not linear
}

const drawnDark = 0.01

// colorful is a performer of many colors whose radius is size, moving from frame to frame.
func colorful(size, light float64) func(x, y float64, frame int) ([3]float64, float64) {
	return func(x, y float64, frame int) ([3]float64, float64) {
		x -= 0.25 * float64(frame-2)
		r := math.Hypot(x, y-0.1) / size
		r += 0.06 * math.Sin(9*math.Atan2(y-0.1, x)) // so that it has no symmetry to speak of
		alpha := min(max((1-r)*size*45+0.5, 0), 1)
		var c [3]float64
		for i := range c {
			c[i] = light * (0.45 + 0.25*math.Sin(23*x+3*float64(i))*math.Cos(31*y-2*float64(i)) + 0.2*math.Sin(5*x*float64(i+1)+y))
		}
		return c, alpha
	}
}

func evenly(x, y float64) float64 { return 0.7 * (1 - 0.2*x*x - 0.15*y*y) }

func (d drawing) write(t *testing.T) Recipe {
	t.Helper()
	dir := t.TempDir()
	random := rand.New(rand.NewPCG(1, 2))
	drawnW, drawnH := 240*max(d.size, 1), 136*max(d.size, 1)
	if d.screen == nil {
		d.screen = evenly
	}
	if d.k == [3]float64{} {
		d.k = [3]float64{0.02, 0.01, 0.004}
	}
	expose := func(v, average float64) uint16 {
		v += random.NormFloat64() * d.noise * math.Sqrt(max(v, 0)+0.1) / average
		v = min(max(v, 0), 1)
		if d.coded {
			v = plate.SRGB.FromLinear(v)
		}
		return uint16(v*65535 + 0.5)
	}
	save := func(name string, pixel func(x, y float64) [3]float64, average float64) {
		m := image.NewRGBA64(image.Rect(0, 0, drawnW, drawnH))
		gray := image.NewGray16(m.Rect)
		for v := range drawnH {
			for u := range drawnW {
				c := pixel((float64(u)-float64(drawnW)/2)/float64(drawnH), (float64(v)-float64(drawnH)/2)/float64(drawnH))
				if math.IsNaN(c[1]) {
					gray.SetGray16(u, v, color.Gray16{Y: expose(c[0], average)})
				} else {
					m.SetRGBA64(u, v, color.RGBA64{R: expose(c[0], average), G: expose(c[1], average), B: expose(c[2], average), A: 0xffff})
				}
			}
		}
		var file image.Image = m
		if math.IsNaN(pixel(0, 0)[1]) {
			file = gray
		}
		path := filepath.Join(dir, name)
		if err := os.MkdirAll(filepath.Dir(path), 0o777); err != nil {
			t.Fatal(err)
		}
		w, err := os.Create(path)
		if err != nil {
			t.Fatal(err)
		}
		defer w.Close()
		if err := png.Encode(w, file); err != nil {
			t.Fatal(err)
		}
	}
	view := func(frame int, light float64) (colors, band func(x, y float64) [3]float64) {
		seen := func(x, y float64) ([3]float64, float64) {
			if frame == 0 || d.nobody {
				return [3]float64{}, 0
			}
			return d.p(x, y, frame)
		}
		colors = func(x, y float64) (c [3]float64) {
			p, alpha := seen(x, y)
			for i := range c {
				c[i] = drawnDark + alpha*p[i] + light*(1-alpha)*d.k[i]
			}
			return c
		}
		band = func(x, y float64) (c [3]float64) {
			p, alpha := seen(x, y)
			v := drawnDark + light*(1-alpha)*d.screen(x, y) + alpha*(0.02*p[0]+0.01*p[1]+0.005*p[2])
			if d.sensor == [3]float64{} {
				return [3]float64{v, math.NaN(), math.NaN()}
			}
			for i, s := range d.sensor {
				c[i] = s * v
			}
			return c
		}
		return colors, band
	}
	r := Recipe{Color: filepath.Join(dir, "color"), Band: filepath.Join(dir, "band"), ColorCurve: "linear", BandCurve: "linear", Geometry: Choice[align.Geometry]{Mode: "none"}}
	for frame := 1; frame <= 3; frame++ {
		c, b := view(frame, 1+0.03*float64(frame-2))
		save(fmt.Sprintf("color/%04d.png", frame), c, 1)
		save(fmt.Sprintf("band/%04d.png", frame), b, 1)
	}
	for name, light := range map[string]float64{"clean": 1, "dark": 0, "half": 1. / 3} {
		c, b := view(0, light)
		save(name+"_color.png", c, 3)
		save(name+"_band.png", b, 3)
	}
	if !d.without {
		r.CleanColor, r.CleanBand = filepath.Join(dir, "clean_color.png"), filepath.Join(dir, "clean_band.png")
		r.DarkColor, r.DarkBand = filepath.Join(dir, "dark_color.png"), filepath.Join(dir, "dark_band.png")
	}
	return r
}

func prepared(r Recipe) (*Job, error) {
	t, err := Open(r)
	if err != nil {
		return nil, err
	}
	return t.Prepare(context.Background())
}

// Sound takes of every kind are not suspected of anything.
func TestSoundPlatesAreNotSuspected(t *testing.T) {
	tier.InTest(t)
	gray := func(x, y float64, frame int) ([3]float64, float64) {
		_, alpha := colorful(0.3, 1)(x, y, frame)
		return [3]float64{0.4, 0.4, 0.4}, alpha
	}
	card := func(x, y float64, frame int) ([3]float64, float64) { // held before the lens in one frame
		if frame == 2 {
			return [3]float64{0.4, 0.4, 0.4}, 1
		}
		return colorful(0.3, 1)(x, y, frame)
	}
	for name, d := range map[string]drawing{
		"plain":              {p: colorful(0.3, 1)},
		"a card in one":      {p: card},
		"no reference":       {p: colorful(0.3, 1), without: true},
		"small":              {p: colorful(0.1, 1)},
		"fills nine tenths":  {p: colorful(0.9, 1)},
		"dark performer":     {p: colorful(0.3, 0.03)},
		"bright performer":   {p: colorful(0.3, 1.2)},
		"gray performer":     {p: gray},
		"gray, no reference": {p: gray, without: true},
		"nobody":             {nobody: true},
		"color sensor":       {p: colorful(0.3, 1), sensor: [3]float64{0.9, 0.3, 0.01}},
		"gray, color sensor": {p: gray, sensor: [3]float64{0.9, 0.3, 0.01}},
		"gray RGB":           {p: colorful(0.3, 1), sensor: [3]float64{1, 1, 1}},
		"partial screen": {p: colorful(0.3, 1), screen: func(x, y float64) float64 {
			if math.Abs(x) > 0.5 {
				return 0.01
			}
			return evenly(x, y)
		}},
		"black scrim": {p: func(x, y float64, frame int) ([3]float64, float64) {
			c, alpha := colorful(0.3, 1)(x, y, frame)
			if math.Abs(x+0.6) < 0.2 && math.Abs(y) < 0.3 { // behind the performer
				front := alpha
				alpha = 1 - 0.5*(1-front)
				for i := range c {
					c[i] *= front / alpha
				}
			}
			return c, alpha
		}},
		"three stops uneven": {p: colorful(0.3, 1), screen: func(x, y float64) float64 { return 0.8 * math.Exp2(-1.7*(x+0.9)) }},
		"black screen":       {p: colorful(0.3, 1), k: [3]float64{1e-6, 1e-6, 1e-6}},
	} {
		for _, noise := range []float64{0.01, 0} {
			if noise == 0 && name != "plain" && name != "nobody" && name != "gray RGB" {
				continue
			}
			d.noise = noise
			j, err := prepared(d.write(t))
			if err != nil {
				t.Errorf("%s, noise %v: %v", name, noise, err)
			} else if len(j.Suspicions) > 0 {
				t.Errorf("%s, noise %v: suspected: %q", name, noise, j.Suspicions)
			}
		}
	}
}

// Exchanged plates are an error that names both, their flags and what would be right.
func TestExchangedPlates(t *testing.T) {
	tier.InTest(t)
	for name, d := range map[string]drawing{
		"gray file":     {p: colorful(0.3, 1)},
		"no reference":  {p: colorful(0.3, 1), without: true},
		"gray RGB":      {p: colorful(0.3, 1), sensor: [3]float64{1, 1, 1}},
		"color sensor":  {p: colorful(0.3, 1), sensor: [3]float64{0.9, 0.3, 0.01}},
		"dark":          {p: colorful(0.3, 0.1)},
		"nine tenths":   {p: colorful(0.7, 1)},
		"small":         {p: colorful(0.15, 1)},
		"all exchanged": {p: colorful(0.3, 1)},
	} {
		d.noise = 0.01
		r := d.write(t)
		r.Color, r.Band = r.Band, r.Color
		if name == "all exchanged" {
			r.CleanColor, r.CleanBand, r.DarkColor, r.DarkBand = r.CleanBand, r.CleanColor, r.DarkBand, r.DarkColor
		}
		for _, mode := range []string{"none", "auto"} {
			r.Geometry.Mode = mode
			_, err := prepared(r)
			if err == nil {
				t.Errorf("%s, geometry %s: no error", name, mode)
				continue
			}
			for _, word := range []string{"exchanged", "--color " + r.Band, "--band " + r.Color} {
				if !strings.Contains(err.Error(), word) {
					t.Errorf("%s, geometry %s: %v: it lacks %q", name, mode, err, word)
				}
			}
		}
	}
}

// Reference plates that are none, or another's, are warned of by name.
func TestSuspectReferences(t *testing.T) {
	d := drawing{p: colorful(0.3, 1), noise: 0.01}
	sound := d.write(t)
	turned := d
	turned.screen = func(x, y float64) float64 { return evenly(x, y) * (1 - 0.25*x) }
	otherLamps := turned.write(t)
	frame := func(path string) string { return filepath.Join(path, "0001.png") }
	dir := filepath.Dir(sound.Color)
	for name, c := range map[string]struct {
		change func(r *Recipe)
		want   []string // words of the warning, or of the error
	}{
		"clean band with the performer":  {func(r *Recipe) { r.CleanBand = frame(r.Band) }, []string{"--clean-band", "somebody stands in it"}},
		"clean color with the performer": {func(r *Recipe) { r.CleanColor = frame(r.Color) }, []string{"--clean-color", "somebody stands in it"}},
		"clean for dark, band":           {func(r *Recipe) { r.DarkBand = r.CleanBand }, []string{"--dark-band", "capped"}},
		"clean for dark, color":          {func(r *Recipe) { r.DarkColor = r.CleanColor }, []string{"--dark-color", "capped"}},
		"dark for clean, band":           {func(r *Recipe) { r.CleanBand = r.DarkBand }, []string{"--clean-band", "given both"}},
		"dark for clean, color":          {func(r *Recipe) { r.CleanColor = r.DarkColor }, []string{"--clean-color", "dark plate"}},
		"clean and dark, band":           {func(r *Recipe) { r.CleanBand, r.DarkBand = r.DarkBand, r.CleanBand }, []string{"--dark-band", "--clean-band", "exchange"}},
		"clean and dark, color":          {func(r *Recipe) { r.CleanColor, r.DarkColor = r.DarkColor, r.CleanColor }, []string{"--dark-color", "--clean-color", "exchange"}},
		"color for band":                 {func(r *Recipe) { r.CleanColor, r.CleanBand = r.CleanBand, r.CleanColor }, []string{"--clean-band", "--clean-color", "exchange"}},
		"another setting, band":          {func(r *Recipe) { r.CleanBand = filepath.Join(dir, "half_band.png") }, []string{"--clean-band", "3.0", "times as bright"}},
		"another setting, color":         {func(r *Recipe) { r.CleanColor = filepath.Join(dir, "half_color.png") }, []string{"--clean-color", "another iris"}},
		"other lamps":                    {func(r *Recipe) { r.CleanBand = otherLamps.CleanBand }, []string{"--clean-band", "lit otherwise"}},
		"band for color, dark":           {func(r *Recipe) { r.DarkColor = r.CleanBand }, []string{"--dark-color", "capped"}},
		"lit dark plate":                 {func(r *Recipe) { r.DarkBand = filepath.Join(dir, "half_band.png") }, []string{"--dark-band", "capped", "--band-curve"}},
	} {
		r := sound
		c.change(&r)
		j, err := prepared(r)
		said := ""
		if err != nil {
			said = err.Error()
		} else {
			said = strings.Join(j.Suspicions, "; ")
			if joined := strings.Join(j.Warnings, "; "); !strings.Contains(joined, said) {
				t.Errorf("%s: the warnings %q lack %q", name, joined, said)
			}
		}
		for _, word := range c.want {
			if !strings.Contains(said, word) {
				t.Errorf("%s: %q lacks %q", name, said, word)
			}
		}
		if strings.Count(said, "--") > 4 {
			t.Errorf("%s: one fault gives %q", name, said)
		}
	}
}

// Before a screen of the whole frame hang black scrims, sharp and out of focus, still and in the
// hands of a performer; a lamp fails, is turned or warms up. The latter alone is told, and so it is
// with a performer or a scrim before it.
func TestDimScreen(t *testing.T) {
	const w, h = 960, 540
	r := rand.New(rand.NewPCG(1, 2))
	ramp := func(d, soft float64) float64 { return min(max(0.5-d/soft, 0), 1) } // inside where d is below 0
	box := func(x, y, x0, y0, x1, y1 float64) float64 { return max(x0-x, x-x1, y0-y, y-y1) }
	bump := func(x, y, cx, cy, sigma float64) float64 {
		return math.Exp(-((x-cx)*(x-cx) + (y-cy)*(y-cy)) / (2 * sigma * sigma))
	}
	scrim := func(t, soft float64) func(x, y float64) float64 { // a tenth of the frame
		return func(x, y float64) float64 { return 1 - (1-t)*ramp(box(x, y, 100, 60, 350, 270), soft) }
	}
	spot := func(sigma float64) func(x, y float64) float64 {
		return func(x, y float64) float64 { return 1 - 0.5*bump(x, y, 250, 200, sigma) }
	}
	performer := func(x, y float64) float64 { return ramp(box(x, y, 420, 150, 560, 540), 3) }
	for _, c := range []struct {
		name   string
		screen func(x, y float64) float64 // of what the clean plate has
		alpha  func(x, y float64) float64 // of a performer who has light of their own
		says   bool
	}{
		{"nothing", func(x, y float64) float64 { return 1 }, performer, false},
		{"a scrim", scrim(0.5, 2), performer, false},
		{"a thin scrim", scrim(0.85, 2), performer, false},
		{"a dense scrim", scrim(0.35, 2), performer, false},
		{"a scrim out of focus", scrim(0.5, 20), performer, false},
		{"a scrim behind the performer", func(x, y float64) float64 { return 1 - 0.5*ramp(box(x, y, 300, 100, 700, 400), 2) }, performer, false},
		{"a scrim at the frame's border", func(x, y float64) float64 { return 1 - 0.5*ramp(box(x, y, -9, 300, 960, 600), 2) }, performer, false},
		{"two scrims", func(x, y float64) float64 { return scrim(0.6, 2)(x, y) * scrim(0.8, 4)(x-450, y-200) }, performer, false},
		{"a lamp less", spot(96), performer, true},
		{"a small lamp less", spot(60), performer, true},
		{"a lamp less on one side", func(x, y float64) float64 { return 1 - 0.4*bump(x, 0, 0, 0, 250) }, performer, true},
		{"a turned lamp", func(x, y float64) float64 { return 1 - 0.4*ramp(x-480, 900) }, performer, true},
		{"a lamp less behind the performer", spot(96), func(x, y float64) float64 { return performer(x+150, y) }, true},
		{"a lamp less and a scrim", func(x, y float64) float64 { return spot(96)(x, y) * scrim(0.5, 2)(x-500, y-200) }, performer, true},
	} {
		screen, color := plate.NewGray(w, h), plate.NewRGB(w, h)
		for i := range screen.Pix {
			x, y := float64(i%w), float64(i/w)
			a := c.alpha(x, y)
			t := c.screen(x, y) * (1 - a)
			screen.Pix[i] = float32(t * (1 + 0.02*r.NormFloat64()))
			for k, p := range color.Pix {
				p[i] = float32(0.4*a + t*[3]float64{0.02, 0.01, 0.004}[k] + 0.004*r.NormFloat64())
			}
		}
		seen := coarseGray(screen)
		part := coarseRGB(color).dim(func(i int) float64 { return float64(seen.planes[0][i]) })
		if part > dimPart != c.says {
			t.Errorf("%s: %.3f of the frame is dim, and over %v is told", c.name, part, dimPart)
		}
	}
}

// Frames of one pixel and of one value, and values that are none, are looked at without harm.
func TestCoarseOddFrames(t *testing.T) {
	for _, size := range []image.Point{{1, 1}, {1, 40}, {40, 1}, {97, 3}, {3, 97}, {200, 2}} {
		for _, v := range []float32{0, 1, -1, float32(math.NaN()), float32(math.Inf(1))} {
			pix := make([]float32, size.X*size.Y)
			for i := range pix {
				pix[i] = v
			}
			c := newCoarse(size, coarseAcross, pix, pix, pix)
			if c.w < 1 || c.h < 1 || len(c.planes[0]) != c.w*c.h {
				t.Fatalf("%v: %d by %d squares", size, c.w, c.h)
			}
			bright(grains(pix, size.X, size.Y), 1)
			c.chroma()
			c.step()
			c.bright()
			c.below(c)
			c.gain(c)
			c.dim(func(i int) float64 { return float64(c.planes[0][i]) })
			if part, _ := c.solid(func(int) bool { return false }); part != 0 {
				t.Errorf("%v: none is solid, and %v of it", size, part)
			}
			if v == 1 && c.level(0.5) != 1 {
				t.Errorf("%v: the mean of ones is %v", size, c.level(0.5))
			}
		}
	}
}

// Files that are read by another curve than they were written with are told by their noise,
// whichever curve it is, and those read by their own are not.
func TestFilesReadByAnotherCurve(t *testing.T) {
	tier.InTest(t)
	d := drawing{p: colorful(0.3, 1), size: 2, noise: 0.01, screen: func(x, y float64) float64 { return 0.75 * (1 - x*x - 0.3*y*y) }}
	for _, written := range []string{"linear", "srgb"} {
		d.coded = written == "srgb"
		r := d.write(t)
		for _, read := range []string{"linear", "srgb", "bt709"} {
			r.ColorCurve, r.BandCurve = read, read
			j, err := prepared(r)
			if err != nil {
				t.Fatal(err)
			}
			said := strings.Join(j.Suspicions, "; ")
			want := map[[2]string]string{{"linear", "srgb"}: "look like linear light", {"linear", "bt709"}: "look like linear light", {"srgb", "linear"}: "look coded"}[[2]string{written, read}]
			if want == "" && said != "" {
				t.Errorf("%s read as %s: %q", written, read, said)
			}
			for _, word := range []string{want, "(--band) look"} {
				if want != "" && !strings.Contains(said, word) {
					t.Errorf("%s read as %s: %q lacks %q", written, read, said, word)
				}
			}
			if want == "look like linear light" && !strings.Contains(said, "--band-curve linear") || want == "look coded" && !strings.Contains(said, "--band-curve srgb") {
				t.Errorf("%s read as %s: %q does not say what to give", written, read, said)
			}
		}
	}
}

// The power of a camera's noise by the photon-transfer model (EMVA 1288): 1 where photons make it,
// 0 where reading does; and by the curve of IEC 61966-2-1, which goes with the light v to the power
// s = 2.4 v / (v + 0.055), it is (p + 2.8 s / 2.4) / s after it: at half of full scale 1.63 and
// 1.17.
func TestPowerOfNoise(t *testing.T) {
	model := func(read, photon float64) []grain {
		var all []grain
		for i := range 2400 {
			l := 0.1 + 0.8*float64(i)/2400
			all = append(all, grain{l, read*read + photon*l})
		}
		return all
	}
	for _, c := range []struct {
		name         string
		read, photon float64
		coded        bool // linear light read as coded
		low, high    float64
	}{
		{"photons", 0, 1e-4, false, 0.97, 1.07},
		{"reading", 0.01, 0, false, -0.07, 0.07},
		{"both", 0.005, 1e-4, false, 0.5, 0.9},
		{"photons, linear read as srgb", 0, 1e-4, true, 1.55, 1.7},
		{"reading, linear read as srgb", 0.01, 0, true, 1.12, 1.22},
	} {
		all := model(c.read, c.photon)
		if c.coded {
			all = recoded(all, plate.Linear, plate.SRGB)
		}
		p, sigma := power(bright(all, 1))
		if p < c.low || p > c.high || sigma > powerError {
			t.Errorf("%s: power %.3f with error %.3f; want %v to %v", c.name, p, sigma, c.low, c.high)
		}
		back := recoded(recoded(all, plate.SRGB, plate.Linear), plate.Linear, plate.SRGB)
		if again, _ := power(bright(back, 1)); math.Abs(again-p) > 0.01 {
			t.Errorf("%s: there and back the power is %.3f, and was %.3f", c.name, again, p)
		}
	}
	// Noise that grows like that is told of files, and of clips not: a codec leaves as much of a texture.
	for _, clip := range []bool{false, true} {
		s := &suspect{}
		if all := recoded(model(0, 1e-4), plate.Linear, plate.SRGB); s.curve("--color", "color", plate.SRGB, all, clip, false) == clip {
			t.Errorf("linear light read as srgb, of a clip: %v: %q", clip, s.said)
		}
	}
	for name, all := range map[string][]grain{"nothing": nil, "one": {{0.5, 1e-4}}, "no noise": model(0, 0), "one level": slices.Repeat([]grain{{0.5, 1e-4}}, 2400), "no numbers": slices.Repeat([]grain{{math.NaN(), math.NaN()}}, 2400)} {
		if _, sigma := power(bright(all, 1)); !math.IsInf(sigma, 1) {
			t.Errorf("%s: tells a power with error %v", name, sigma)
		}
	}
}

// Somebody a tenth of the frame high stands in the clean band plate, and is told. A screen that
// ends within the frame and a rig that moved by three pixels are not taken for anybody.
func TestSmallStandIn(t *testing.T) {
	const w, h = 960, 540
	r := rand.New(rand.NewPCG(1, 1))
	band := func(left int, dark image.Rectangle) *plate.Gray {
		f := plate.NewGray(w, h)
		for i := range f.Pix {
			at := image.Pt(i%w, i/w)
			if level := 0.6; at.X >= left && at.X < w-left && at.Y >= left/4 && !at.In(dark) {
				f.Pix[i] = float32(level * (1 + 0.01*r.NormFloat64()))
			} else {
				f.Pix[i] = float32(0.004 * r.NormFloat64())
			}
		}
		return f
	}
	for _, c := range []struct {
		name  string
		clean *plate.Gray
		says  bool
	}{
		{"nobody", band(100, image.Rectangle{}), false},
		{"somebody", band(100, image.Rect(500, 300, 514, 354)), true},
		{"the rig moved", band(103, image.Rectangle{}), false},
	} {
		s := &suspect{t: &Take{recipe: Recipe{CleanBand: "clean_band.png"}}, cleanBand: coarseGray(c.clean)}
		take := band(100, image.Rect(300, 200, 500, 540))
		s.screen([]*coarse{coarseGray(take)}, []*coarse{grayAcross(take, fineAcross)}, nil, grayAcross(c.clean, fineAcross))
		if says := len(s.said) > 0; says != c.says {
			t.Errorf("%s: it says %q", c.name, s.said)
		}
	}
}
