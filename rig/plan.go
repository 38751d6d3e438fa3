package rig

import (
	"cmp"
	"errors"
	"math"
	"slices"

	"example.com/twinplate/internal/list"
	"example.com/twinplate/internal/robust"
	"example.com/twinplate/plate"
	"example.com/twinplate/reading"
)

// A Plan is what a Setup will give. Levels are in full scale and linear light, as in the plates.
type Plan struct {
	Name        string       `json:"name"`
	Readings    reading.List `json:"readings"`
	Crosstalk   [3]float64   `json:"crosstalk"`    // m: how much of the performer's red, green and blue reaches the band plate
	Residue     float64      `json:"residue"`      // the error of transmission that is left with m taken off, as a root of the mean square over many colors
	ScreenColor [3]float64   `json:"screen_color"` // K: the screen in the color plate, where it is brightest
	FaintLines  float64      `json:"faint_lines"`  // the part of K that is not of the D lines
	ScreenLevel float64      `json:"screen_level"` // S: the screen in the band plate, where it is brightest
	White       float64      `json:"white"`        // a white performer (reflectance 0.9) in the color plate
	Evenness    float64      `json:"evenness"`     // of S over the frame, in stops from the brightest hundredth to the darkest
	Noise       MatteNoise   `json:"noise"`
	Flicker     float64      `json:"flicker"` // amplitude of the lamps' beat with the band camera's shutter, over their mean
	Lux         float64      `json:"lux"`     // on the screen, in the mean over what the color camera sees
	LampsNeeded int          `json:"lamps_needed"`
	Spill       float64      `json:"spill"` // transmission of the performer's sides by sodium light: an estimate
	Lights      []LightPlan  `json:"lights"`
	Angles      []Angle      `json:"angles"` // from the middle of the frame past its corner
	Corner      float64      `json:"corner_degrees"`
	BandReach   float64      `json:"band_reach_degrees"`  // the largest field angle at which the line keeps half of what the filters can give
	ColorReach  float64      `json:"color_reach_degrees"` // the largest at which less than a hundredth of it gets through to the color camera
	Wanted      []Passband   `json:"wanted"`              // filters that would do for this lens, centered on the line and centered long
	Standoffs   []Standoff   `json:"standoffs"`
	Spills      []SpillAt    `json:"spills"`
	Shutters    []Shutters   `json:"shutters"`
	Codes       []Codes      `json:"codes"`
	Tolerances  Tolerances   `json:"tolerances"`
	Spectra     Spectra      `json:"spectra"`
	Map         ScreenMap    `json:"map"`
	Records     []Record     `json:"records"`
	Day         []Step       `json:"day"`
	Cautions    []string     `json:"cautions"`
	Assumed     []string     `json:"assumed"`
	Setup       Setup        `json:"setup"` // with what was assumed
}

// MatteNoise is the noise of alpha that the two cameras' noise gives it.
type MatteNoise struct {
	Open  float64 `json:"open"`  // root of the mean square on the open screen
	Solid float64 `json:"solid"` // on the performer
	Frame float64 `json:"frame"` // over the frame
}

// An Angle is what the filters do to the lamps' light that comes in at an angle to the lens's axis.
type Angle struct {
	Degrees float64 `json:"degrees"`
	Band    float64 `json:"band"`  // how much of it the band camera's filters let through
	Color   float64 `json:"color"` // and the color camera's
}

// A Passband is a filter in words of a maker's list.
type Passband struct {
	Center float64 `json:"center_nm"`
	Width  float64 `json:"width_nm"`
}

// A Standoff is the screen with the lamps at another distance before it.
type Standoff struct {
	Distance float64 `json:"distance_m"`
	Level    float64 `json:"level"`    // of the screen in the band plate, where it is brightest
	Evenness float64 `json:"evenness"` // stops
}

// A SpillAt is the spill with the performer at another distance from the screen.
type SpillAt struct {
	Distance float64 `json:"to_screen_m"`
	Spill    float64 `json:"spill"`
}

// Shutters are the shutter angles that are safe at a frame rate, in degrees, as SafeShutters has
// them. Any says that every angle is, since a frame is a whole number of pulses; the angles listed
// are so even where the mains drift.
type Shutters struct {
	FPS   float64   `json:"fps"`
	At50  []float64 `json:"at_50_hz"`
	At60  []float64 `json:"at_60_hz"`
	Any50 bool      `json:"any_at_50_hz"`
	Any60 bool      `json:"any_at_60_hz"`
}

// Codes are the error of alpha by rounding to codes of a recording, for each number of bits.
type Codes struct {
	Curve string          `json:"transfer_curve"`
	Alpha map[int]float64 `json:"alpha"`
}

// Tolerances say how alike the two cameras must be for the target's error at an edge.
type Tolerances struct {
	Shift    float64 `json:"shift_px"` // of one plate against the other
	Blur     float64 `json:"blur_px"`  // sigma of a Gaussian by which one may be softer
	Focus    float64 `json:"focus_m"`  // by which the band camera's focus may be off
	Sampling float64 `json:"sampling"` // pixels of the band camera to one of the color camera, along each axis
	Framing  float64 `json:"framing"`  // width of what the band camera sees, over the color camera's
	Filled   float64 `json:"filled"`   // the part of the color camera's frame that the screen fills
	Frame    float64 `json:"frame_m"`  // width of the color camera's frame at the screen
}

// Spectra are curves for the plot, over 380 to 780 nm.
type Spectra struct {
	Band   Spectrum   `json:"band"`   // transmission of the band camera's filters, on axis
	Corner Spectrum   `json:"corner"` // and for light to the frame's corner
	Color  Spectrum   `json:"color"`  // of the color camera's filters, on axis
	Lights []Spectrum `json:"lights"` // of the set lights in their order, the largest value of all as 1
	Lines  []Line     `json:"lines"`  // of the lamps, the strongest as 1
}

// A ScreenMap is the screen as the two cameras see it, row by row over the color camera's frame, in
// full scale.
type ScreenMap struct {
	W int       `json:"w"`
	H int       `json:"h"`
	S []float64 `json:"band"`
	K []float64 `json:"color"` // in the channel that gets the most of it
}

// Plan works out what the setup will give. It depends on nothing but the setup. The error names the
// field with a value that cannot be used.
func (s Setup) Plan() (*Plan, error) {
	if err := s.Check(); err != nil {
		return nil, err
	}
	r := &planner{Setup: s.filled(), given: s, p: &Plan{Name: s.Name}}
	r.p.Setup = r.Setup
	r.light()
	r.screen()
	if r.dark <= 0 {
		return nil, errors.New("rig: part of the frame gets no sodium light in the band camera: look at its filters, and at where the lamps point")
	}
	r.crosstalk()
	r.noise()
	r.angles()
	r.lamps()
	r.spills()
	r.shutters()
	r.codes()
	r.tolerances()
	r.spectra()
	r.p.Assumed = r.assumed()
	r.p.Records = records(r.Setup)
	r.p.Day = day()
	r.p.Cautions = Cautions()
	r.judge()
	return r.p, nil
}

// A planner works on a plan.
type planner struct {
	Setup
	given   Setup // without what is assumed
	p       *Plan
	sodium  Light // 1 cd/m2 of it
	lights  []Light
	balance [3]float64
	inside  []bool // the places of the map that are on the screen
	kMap    [3][]float64
	mean    float64 // of S, over those
	dark    float64 // the S that all but a hundredth of them exceed
}

// The places of the map along a row, and the most rows, which only a sensor of no camera's shape
// would exceed.
const mapWidth, mapHeight = 64, 4 * 64

// white is the reflectance of what is called white.
const white = 0.9

// light adds up the light on the performer and balances the color camera's channels to it.
func (r *planner) light() {
	r.sodium = SodiumLamp().ofLumens(1)
	var all [3]float64
	for _, l := range r.Lights {
		light, _ := l.light() // Check has
		r.lights = append(r.lights, light)
		for c, v := range r.Color.signal(light.Scale(white/math.Pi), r.Splitter.Color, 0, r.FPS) {
			all[c] += v
		}
	}
	r.p.White = slices.Max(all[:])
	for c, v := range all {
		r.balance[c] = 1
		if v > 0 {
			r.balance[c] = r.p.White / v
		}
	}
}

// toScreen returns the distance from the cameras to the screen.
func (r *planner) toScreen() float64 { return r.Setup.Distance + r.Performer.Distance }

// screen works out S and K over the frame.
func (r *planner) screen() {
	w, h := r.Color.Sensor.size()
	m := ScreenMap{W: mapWidth, H: min(max(int(math.Round(mapWidth*h/w)), 1), mapHeight)}
	lamps := r.Lamps.place(r.Screen.Width, r.Screen.Height)
	band, color := r.perLuminance()
	n := m.W * m.H
	m.S = make([]float64, n)
	r.inside = make([]bool, n)
	r.kMap = [3][]float64(list.Rows[float64](3, n))
	lux, on := 0.0, 0.0
	for j := range m.H {
		for i := range m.W {
			x, y := r.place(m, i, j)
			if math.Abs(x) > r.Screen.Width/2 || math.Abs(y) > r.Screen.Height/2 {
				continue
			}
			at := j*m.W + i
			r.inside[at] = true
			e := illuminance(lamps, x, y)
			luminance := e * r.Screen.Reflectance / math.Pi
			off := math.Hypot(x, y) / r.toScreen()
			m.S[at] = luminance * band.At(off)
			for c := range r.kMap {
				r.kMap[c][at] = luminance * color[c].At(off)
			}
			lux += e
			on++
			r.mean += m.S[at]
		}
	}
	on = max(on, 1)
	r.p.Lux, r.mean = lux/on, r.mean/on
	strongest := 0
	for c, k := range r.kMap {
		r.p.ScreenColor[c] = part(k, r.inside, 0.99)
		if r.p.ScreenColor[c] > r.p.ScreenColor[strongest] {
			strongest = c
		}
	}
	m.K = r.kMap[strongest]
	r.p.ScreenLevel = part(m.S, r.inside, 0.99)
	r.dark = part(m.S, r.inside, 0.01)
	r.p.Evenness = math.Log2(r.p.ScreenLevel / r.dark)
	r.p.Map = m
	r.p.FaintLines = r.faint()
	r.p.Tolerances.Filled = on / float64(n)
}

// faint returns how much of K, in the middle of the frame, comes from the lamps' lines beside the D
// lines.
func (r *planner) faint() float64 {
	d := Light{Lines: slices.Clone(r.sodium.Lines)}
	for i, l := range d.Lines {
		if l.NM < SodiumD2 || l.NM > SodiumD1 {
			d.Lines[i].Power = 0
		}
	}
	whole := slices.Max(r.Color.signal(r.sodium, r.Splitter.Color, 0, r.FPS))
	if whole == 0 {
		return 0
	}
	return 1 - slices.Max(r.Color.signal(d, r.Splitter.Color, 0, r.FPS))/whole
}

// place returns where on the screen, in meters from its middle, the color camera sees cell (i, j)
// of the map.
func (r *planner) place(m ScreenMap, i, j int) (x, y float64) {
	w, h := r.Color.Sensor.size()
	k := r.toScreen() / r.Color.Focal
	return ((float64(i)+0.5)/float64(m.W) - 0.5) * w * k, ((float64(j)+0.5)/float64(m.H) - 0.5) * h * k
}

// perLuminance returns what the cameras make of 1 cd/m2 of the lamps' light, by the tangent of the
// angle to their axis.
func (r *planner) perLuminance() (band Spectrum, color [3]Spectrum) {
	const steps = 96
	w, h := r.Color.Sensor.size()
	last := math.Hypot(w, h) / 2 / r.Color.Focal * 1.001
	for k := range steps + 1 {
		tan := last * float64(k) / steps
		s := r.Band.signal(r.sodium, r.Splitter.Band, tan*r.Band.Focal, r.FPS)
		band = append(band, [2]float64{tan, slices.Max(s)})
		for c, v := range r.Color.signal(r.sodium, r.Splitter.Color, tan*r.Color.Focal, r.FPS) {
			color[c] = append(color[c], [2]float64{tan, v * r.balance[c]})
		}
	}
	return band, color
}

// part returns the value that a part q of those inside does not exceed.
func part(v []float64, inside []bool, q float64) float64 {
	var some []float64
	for i, in := range inside {
		if in {
			some = append(some, v[i])
		}
	}
	return robust.Quantile(some, q)
}

// crosstalk fits m to what the set lights make of many surfaces in both cameras, in the middle of
// the frame.
func (r *planner) crosstalk() {
	all := surfaces()
	sumColor, sumBand := make([][3]float64, len(all)), make([]float64, len(all))
	bandFilters := r.Band.stack(0)
	channel := r.bandChannel()
	a, _ := Illuminant("A")
	tungsten := slices.Max(r.Band.signal(a.ofLumens(1/math.Pi), r.Splitter.Band, 0, r.FPS))
	for i, light := range r.lights {
		color, band := make([][3]float64, len(all)), make([]float64, len(all))
		chains := [4]Light{}
		for c, efficiency := range r.Color.Sensor.channels() {
			chains[c] = Light{Spectrum: table(append([]Distribution{light.Spectrum, r.Color.stack(0)}, efficiency...)...)}
		}
		chains[3] = Light{Spectrum: table(append([]Distribution{light.Spectrum, bandFilters}, channel...)...)}
		// The reflectances only weight the light: full scale comes from a white surface.
		signal := r.Color.signal(light.Scale(1/math.Pi), r.Splitter.Color, 0, r.FPS)
		inBand := slices.Max(r.Band.signal(light.Scale(1/math.Pi), r.Splitter.Band, 0, r.FPS))
		for k, surface := range all {
			for c := range 3 {
				if whole := chains[c].Through(photons); whole > 0 {
					color[k][c] = r.balance[c] * signal[c] * chains[c].Through(photons, surface) / whole
				}
				sumColor[k][c] += color[k][c]
			}
			if whole := chains[3].Through(photons); whole > 0 {
				band[k] = inBand * chains[3].Through(photons, surface) / whole
			}
			sumBand[k] += band[k]
		}
		l := LightPlan{Name: r.Lights[i].Name, Lux: r.Lights[i].Lux, Band: white * inBand, Before: white * inBand / r.mean}
		for c := range 3 {
			l.White[c] = r.balance[c] * white * signal[c]
		}
		left := 0.0
		l.Crosstalk, left = fitCrosstalk(color, band)
		l.After = left / r.mean
		l.Tungsten = inBand / r.Lights[i].Lux / tungsten
		r.p.Lights = append(r.p.Lights, l)
	}
	left := 0.0
	r.p.Crosstalk, left = fitCrosstalk(sumColor, sumBand)
	r.p.Residue = left / r.mean
}

// bandChannel returns the quantum efficiency of the band camera's channel that sees the most of the
// lamps.
func (r *planner) bandChannel() []Distribution {
	s := r.Band.signal(r.sodium, 1, 0, r.FPS)
	return r.Band.Sensor.channels()[slices.Index(s, slices.Max(s))]
}

// noise works out sigma of alpha over the frame: sqrt(sigma_N^2 + |m|^2 sigma_C^2) / (S - m . K).
func (r *planner) noise() {
	n := cameraNoise{r.Band.read(), 1 / r.Band.fullScale()}
	c := cameraNoise{r.Color.read(), 1 / r.Color.fullScale()}
	m := r.p.Crosstalk
	performer := r.p.White / white * r.Performer.Reflectance
	var m2, inBand float64
	for ch, v := range m {
		m2 += v * v * r.balance[ch] // a channel that is brought up is as much noisier
		inBand += v * performer
	}
	var open, solid, count float64
	for i, in := range r.inside {
		if !in {
			continue
		}
		s := r.p.Map.S[i]
		k, mk := 0.0, 0.0
		for ch := range 3 {
			k = max(k, r.kMap[ch][i])
			mk += m[ch] * r.kMap[ch][i]
		}
		signal := (s - mk) * (s - mk)
		open += (n.variance(s) + m2*c.variance(k)) / signal
		solid += (n.variance(inBand) + m2*c.variance(performer)) / signal
		count++
	}
	count = max(count, 1)
	cover := r.Performer.Cover
	r.p.Noise = MatteNoise{math.Sqrt(open / count), math.Sqrt(solid / count), math.Sqrt(((1-cover)*open + cover*solid) / count)}
}

// cameraNoise is EMVA 1288's linear model, in full scale.
type cameraNoise struct{ read, perSignal float64 }

func (n cameraNoise) variance(signal float64) float64 {
	return n.read*n.read + n.perSignal*max(signal, 0)
}

// lineThrough returns how much of the D lines a camera's filters let through for light at an angle,
// in degrees.
func lineThrough(c Camera, degrees float64) float64 {
	return Light{Lines: []Line{{SodiumD2, sodiumRatio}, {SodiumD1, 1}}}.Through(c.stack(c.Focal*math.Tan(degrees*math.Pi/180))) / (sodiumRatio + 1)
}

// angles follows the lamps' line over the frame.
func (r *planner) angles() {
	const top, step = 60.0, 0.1
	r.p.Corner = r.Color.degrees(r.Color.corner())
	most := 0.0
	var band, color []float64
	for k := range int(top/step) + 1 {
		a := float64(k) * step
		band, color = append(band, lineThrough(r.Band, a)), append(color, lineThrough(r.Color, a))
		most = max(most, band[k])
	}
	reach := func(good func(k int) bool) float64 {
		for k := range band {
			if !good(k) {
				return max(float64(k-1), 0) * step
			}
		}
		return top
	}
	r.p.BandReach = reach(func(k int) bool { return band[k] >= most/2 })
	r.p.ColorReach = reach(func(k int) bool { return color[k] <= 0.01 })
	last := min(1.5*r.p.Corner, top)
	for k := range 61 {
		a := last * float64(k) / 60
		r.p.Angles = append(r.p.Angles, Angle{a, lineThrough(r.Band, a), lineThrough(r.Color, a)})
	}
	// A filter would do that gives the corner nine tenths of its peak: 1 / (1 + x^2n) = 0.9.
	f := Filter{Kind: "pass"}.filled()
	for _, g := range r.Band.Filters {
		if g.Kind == "pass" {
			f = g.filled()
		}
	}
	corner := r.p.Corner
	if f.Place == "behind" {
		s := r.Band.stack(r.Band.corner())
		corner = s.chief + s.cone
	}
	line := SodiumLine()
	x := math.Pow(1.0/9, 0.5/float64(f.Order))
	from := line / ShiftedBy(corner, f.Index) // what the line meets of the filter in the corner
	r.p.Wanted = []Passband{{line, 2 * (from - line) / x}, {(line + from) / 2, (from - line) / x}}
}

// lamps says how many are needed, and what other distances would give.
func (r *planner) lamps() {
	if r.p.ScreenLevel > 0 {
		r.p.LampsNeeded = int(math.Ceil(float64(r.Lamps.Count) * r.Target.Level / r.p.ScreenLevel))
	}
	band, _ := r.perLuminance()
	for _, d := range []float64{0.5, 0.75, 1, 1.5, 2, 2.5, 3, 4} {
		l := r.Lamps
		l.Distance = d
		lamps := l.place(r.Screen.Width, r.Screen.Height)
		s := make([]float64, len(r.inside))
		for i, in := range r.inside {
			if in {
				x, y := r.place(r.p.Map, i%r.p.Map.W, i/r.p.Map.W)
				s[i] = illuminance(lamps, x, y) * r.Screen.Reflectance / math.Pi * band.At(math.Hypot(x, y)/r.toScreen())
			}
		}
		level := part(s, r.inside, 0.99)
		r.p.Standoffs = append(r.p.Standoffs, Standoff{d, level, math.Log2(level / part(s, r.inside, 0.01))})
	}
}

// spills estimates the performer's transmission by sodium light off their sides.
func (r *planner) spills() {
	lamps := r.Lamps.place(r.Screen.Width, r.Screen.Height)
	at := func(d float64) float64 {
		direct := 0.0 // lux on the performer, were the lamps bare
		for _, l := range lamps {
			r2 := l.X*l.X + l.Y*l.Y + (d-l.Z)*(d-l.Z)
			direct += r.Lamps.Lumens / (math.Pi * math.Pi) / r2 // a tube's intensity, broadside on
		}
		screen := r.p.Lux * r.Screen.Reflectance
		return r.Performer.Reflectance * (SideFactor(r.Screen.Width, r.Screen.Height, d)*(1-r.Performer.Flags) + r.Lamps.Leak*direct/max(screen, 1e-9))
	}
	r.p.Spill = at(r.Performer.Distance)
	for d := 1.0; d <= 10; d += 0.5 {
		r.p.Spills = append(r.p.Spills, SpillAt{d, at(d)})
	}
}

func (r *planner) shutters() {
	r.p.Flicker, _ = Ripple(r.FPS, r.Band.Shutter, r.Mains, r.Lamps.Ripple)
	rates := []float64{24, 25, 30, 48, 50, 60}
	if !slices.Contains(rates, r.FPS) {
		rates = append(rates, r.FPS)
	}
	for _, fps := range rates {
		_, beat50 := Ripple(fps, 180, 50, 1)
		_, beat60 := Ripple(fps, 180, 60, 1)
		row := Shutters{fps, SafeShutters(fps, 50), SafeShutters(fps, 60), beat50 == 0, beat60 == 0}
		r.p.Shutters = append(r.p.Shutters, row)
	}
}

// codes works out the error of alpha that rounding to a recording's codes makes, where the screen
// is darkest.
func (r *planner) codes() {
	shown := []plate.Curve{plate.Linear, plate.SRGB, plate.BT709, plate.BT1886, plate.ACEScct, plate.Density10}
	if c, err := r.Band.Sensor.curve(); err == nil && !slices.Contains(shown, c) {
		shown = append(shown, c)
	}
	for _, c := range shown {
		row := Codes{c.Name(), map[int]float64{}}
		for _, bits := range []int{8, 10, 12, 14} {
			row.Alpha[bits] = CodeNoise(c, bits, r.p.ScreenLevel) / r.dark
		}
		r.p.Codes = append(r.p.Codes, row)
	}
}

// codeError returns the error of alpha by the codes that the band camera records.
func (r *planner) codeError() float64 {
	c, _ := r.Band.Sensor.curve() // Check has
	return CodeNoise(c, r.Band.Sensor.Bits, r.p.ScreenLevel) / r.dark
}

func (r *planner) tolerances() {
	t := &r.p.Tolerances
	t.Shift = EdgeShift(r.Target.Edge, r.Target.Blur)
	t.Blur = EdgeBlur(r.Target.Edge, r.Target.Blur)
	perPixel := func(c Camera) float64 { return c.Sensor.Pitch / c.Focal } // as an angle
	t.Sampling = perPixel(r.Color) / perPixel(r.Band)
	t.Focus = FocusTolerance(t.Blur*t.Sampling, r.Band.Sensor.Pitch, r.Band.Focal, r.Band.Stop, r.Setup.Distance)
	cw, ch := r.Color.Sensor.size()
	bw, bh := r.Band.Sensor.size()
	t.Framing = min(bw/r.Band.Focal/(cw/r.Color.Focal), bh/r.Band.Focal/(ch/r.Color.Focal))
	t.Frame = cw / r.Color.Focal * r.toScreen()
}

// spectra samples the curves for the plot: finely about the line.
func (r *planner) spectra() {
	var at []float64
	for nm := float64(firstNM); nm <= lastNM; {
		at = append(at, nm)
		if nm >= 560 && nm < 620 {
			nm += 0.25
		} else {
			nm++
		}
	}
	sample := func(c Distribution) Spectrum {
		return list.Of(at, func(nm float64) [2]float64 { return [2]float64{nm, c.At(nm)} })
	}
	s := &r.p.Spectra
	s.Band, s.Color = sample(r.Band.stack(0)), sample(r.Color.stack(0))
	s.Corner = sample(r.Band.stack(r.Band.Focal * math.Tan(r.p.Corner*math.Pi/180)))
	top := 0.0
	for _, l := range r.lights {
		for _, p := range l.Spectrum {
			top = max(top, p[1])
		}
	}
	s.Lights = list.Of(r.lights, func(l Light) Spectrum { return sample(l.Spectrum.Scale(1 / top)) })
	lines := SodiumLamp().Lines
	strongest := slices.MaxFunc(lines, func(a, b Line) int { return cmp.Compare(a.Power, b.Power) }).Power
	s.Lines = list.Of(lines, func(l Line) Line { return Line{l.NM, l.Power / strongest} })
}
