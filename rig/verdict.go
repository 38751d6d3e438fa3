package rig

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"example.com/twinplate/internal/names"
	"example.com/twinplate/reading"
)

// Summary returns the plan's verdicts in one sentence.
func (p *Plan) Summary() string {
	if n := p.Readings.Count(reading.Bad); n > 0 {
		return fmt.Sprintf("This rig will not give a good matte yet: %s to change.", names.Count(n, "thing"))
	}
	if n := p.Readings.Count(reading.Watch); n > 0 {
		return fmt.Sprintf("This rig will give a matte; %s could be better.", names.Count(n, "thing"))
	}
	return "This rig will give a good matte."
}

func (r *planner) add(name, title string, value float64, unit string, v reading.Verdict, meaning, advice string) {
	if v == reading.Good {
		advice = ""
	}
	r.p.Readings = append(r.p.Readings, reading.New(name, title, value, unit, v, meaning, advice))
}

// The limits of what a plan alone forecasts. They are chosen by hand; not measured by themselves.
var (
	bandFall  = reading.Thresholds{Good: 0.5, Watch: 1.5}  // stops that the line loses at the band camera's corner
	colorLine = reading.Thresholds{Good: 0.5, Watch: 3}    // % of the line that passes at the color camera's corner
	swings    = reading.Thresholds{Good: 2, Watch: 25}     // % of the lamps' beat, peak to peak
	sampling  = reading.Thresholds{Good: 0.9, Watch: 0.5}  // band pixels to a color pixel
	focus     = reading.Thresholds{Good: 0.1, Watch: 0.03} // m to either side
	framing   = reading.Thresholds{Good: 1.02, Watch: 1}   // band frame over color frame
	lampParts = reading.Thresholds{Good: 1.5, Watch: 6}    // lamps that the target needs over those that there are

	// In parts of the error of alpha that the target allows.
	residues = reading.Thresholds{Good: 1, Watch: 4}    // of set light, for other colors than the one that m is of
	spills   = reading.Thresholds{Good: 2, Watch: 8}    // on the performer's sides
	codes    = reading.Thresholds{Good: 0.25, Watch: 1} // of codes
)

const (
	bandClips  = 0.95  // of full scale, the screen's brightest: lamps that warm up clip it
	bandHigh   = 0.85  // of full scale, above which the lamps' drift may clip it
	whiteHigh  = 1.    // of full scale, white cloth in the color plate
	whiteLow   = 0.25  // of full scale, two stops below that
	whiteAim   = 0.8   // of full scale, to which advice leads
	betterBy   = 0.2   // stops more even: below that it is not worth moving the lamps
	beats      = 0.05  // % peak to peak, below which a beat is not spoken of
	filledFull = 0.995 // of the color camera's frame: what is less will be seen
)

// say returns the sentence that goes with the verdict.
func say(v reading.Verdict, good, watch, bad string) string {
	switch v {
	case reading.Good:
		return good
	case reading.Watch:
		return watch
	}
	return bad
}

func stopsOf(ratio float64) string { return fmt.Sprintf("%.1f stops", math.Abs(math.Log2(ratio))) }

func (r *planner) judge() {
	r.judgeLevels()
	r.judgeCrosstalk()
	r.judgeAngles()
	r.judgeLamps()
	r.judgeCameras()
}

func (r *planner) judgeLevels() {
	p := r.p
	level := p.ScreenLevel
	v, meaning, advice := reading.Level.Judge(level), "The screen sits well within the band camera's range.", ""
	switch {
	case level > bandClips:
		v, meaning = reading.Bad, "The screen is brighter than the band camera can hold, or leaves no room for the lamps to rise."
		advice = fmt.Sprintf("Close the band camera's iris by %s, or lower its gain.", stopsOf(level/r.Target.Level))
	case level > bandHigh:
		v, meaning = reading.Watch, "The lamps' drift may carry the screen into clipping."
		advice = fmt.Sprintf("Close the band camera's iris by %s.", stopsOf(level/r.Target.Level))
	case v != reading.Good:
		meaning = say(v, "", "The screen is darker in the band camera than it need be.", "The screen is so dark in the band camera that noise eats the matte.")
		advice = fmt.Sprintf("Open the band camera's iris by %s, or use %d lamps; raise the gain last.", stopsOf(level/r.Target.Level), p.LampsNeeded)
	}
	r.add("band_level", "Band level", 100*level, "% of full scale", v, meaning, advice)

	v, meaning, advice = reading.Good, "A white costume sits well within the color camera's range.", ""
	switch {
	case p.White > whiteHigh:
		v, meaning = reading.Watch, "A white costume clips in the color camera, and what clips cannot be taken off the band plate."
		advice = fmt.Sprintf("Close the color camera's iris by %s, or lower its gain.", stopsOf(p.White/whiteAim))
	case p.White < whiteLow:
		v, meaning = reading.Watch, "The color plate is dark: its noise will show."
		advice = fmt.Sprintf("Open the color camera's iris by %s, or light the performer more.", stopsOf(p.White/whiteAim))
	}
	r.add("color_level", "White in the color plate", 100*p.White, "% of full scale", v, meaning, advice)

	v = reading.Evenness.Judge(p.Evenness)
	best := slices.MinFunc(p.Standoffs, func(a, b Standoff) int { return cmp.Compare(a.Evenness, b.Evenness) })
	advice = "Point the lamps further across the screen, or put rows along its other edges too."
	if best.Evenness < p.Evenness-betterBy {
		advice = fmt.Sprintf("Set the lamps %.2g m before the screen: %.1f stops then, at %.0f %% of full scale.", best.Distance, best.Evenness, 100*best.Level)
	}
	r.add("evenness", "Evenness of the screen", p.Evenness, "stops, brightest to darkest", v,
		say(v, "The screen is even enough: what is left is divided out.", "The screen falls off so far that its dark parts are noisy in the matte.", "The screen falls off so far that its dark parts are lost in noise."), advice)

	noise := 100 * p.Noise.Frame
	v = reading.Noise.Judge(noise)
	r.add("matte_noise", "Noise of the matte", noise, "% of alpha", v,
		fmt.Sprintf("%s %.2f %% on the open screen, %.2f %% on the performer.", say(v, "The matte's noise will not be seen.", "The matte will be grainy.", "The matte will be too noisy to use."), 100*p.Noise.Open, 100*p.Noise.Solid),
		"Light the screen more, open the band camera's iris, or lower its gain.")
}

func (r *planner) judgeCrosstalk() {
	p := r.p
	m := 100 * slices.Max(p.Crosstalk[:])
	v := reading.Leak.Judge(m)
	most := slices.MaxFunc(p.Lights, func(a, b LightPlan) int { return cmp.Compare(a.Before, b.Before) })
	before := 0.0
	for _, l := range p.Lights {
		before += l.Before
	}
	left := p.Residue
	r.add("crosstalk_band", "Set light in the band", m, "% (the strongest of red, green, blue)", v,
		fmt.Sprintf("%s A white performer lets %.1f %% through before it is taken off; colors differ by %.2f %% after. The most comes from the light “%s”.",
			say(v, "Little set light reaches the band camera.", "Much set light reaches the band camera: it is taken off, and its noise stays.", "Set light floods the band camera."), 100*before, 100*left, most.Name),
		fmt.Sprintf("Narrow the band camera's filter, light the screen more, or take yellow out of “%s”: a filter for 589 nm before it, or red, green and blue diodes.", most.Name))

	v = residues.Judge(left / r.Target.Alpha)
	r.add("color_residue", "Set light left in the matte", 100*left, "% of alpha", v,
		say(v, "Every color of costume comes out solid once m is taken off.", "Some colors of costume stay slightly transparent: a yellow cloth gives the band more than its red and green tell.", "Yellow costumes will be plainly transparent."),
		fmt.Sprintf("Take the light near 589 nm out of “%s”, or avoid saturated yellow and orange in the costume.", most.Name))

	k := 100 * slices.Max(p.ScreenColor[:])
	v = reading.Leak.Judge(k)
	r.add("crosstalk_color", "Screen light in color", k, "% of full scale (the strongest of red, green, blue)", v,
		fmt.Sprintf("%s Were K not taken off, it would lie over the new background at %.1f %% of a white costume's light, and move alpha by %.2f %%. %.0f %% of it is the lamps' faint lines beside the D lines.",
			say(v, "Little of the screen reaches the color camera.", "Much of the screen reaches the color camera: it is taken off, and its noise stays.", "The screen floods the color camera."), k/p.White, 100*r.kOnAlpha(), 100*p.FaintLines),
		"Use a deeper or wider blocking filter before the color camera; a wide lens needs one centered long.")
}

// kOnAlpha returns the error of alpha on the open screen that leaving K out of the solution would
// make.
func (r *planner) kOnAlpha() float64 {
	sum := 0.0
	for c, m := range r.p.Crosstalk {
		sum += m * r.p.ScreenColor[c]
	}
	return sum / r.p.ScreenLevel
}

func (r *planner) judgeAngles() {
	p := r.p
	at := func(degrees float64) (band, color float64) {
		return lineThrough(r.Band, degrees), lineThrough(r.Color, degrees)
	}
	band0, color0 := at(0)
	band1, color1 := at(p.Corner)
	fall := math.Log2(band0 / band1)
	v := bandFall.Judge(fall)
	a, b := p.Wanted[0], p.Wanted[1]
	wanted := fmt.Sprintf("A filter %.0f nm wide and centered long, at %.1f nm, keeps nine tenths of the line into the corner; centered on the line it would have to be %.0f nm wide.", math.Ceil(b.Width), b.Center, math.Ceil(a.Width))
	r.add("angle_band", "Line at the corner, band camera", fall, "stops below the middle", v,
		fmt.Sprintf("The corner is %.1f° off the axis; the line stays inside the passband to %.1f°.", p.Corner, p.BandReach),
		wanted+" Or use a longer lens from further back, or put the filter where light meets it upright.")

	rise := color1 / color0
	v = colorLine.Judge(100 * color1)
	r.add("angle_color", "Line at the corner, color camera", 100*color1, "% let through", v,
		fmt.Sprintf("%.1f times as much as in the middle. Less than 1 %% gets through to %.1f°; the corner is at %.1f°.", rise, p.ColorReach, p.Corner),
		"Use a wider blocking filter, centered long, or a longer lens.")
}

func (r *planner) judgeLamps() {
	p := r.p
	v := lampParts.Judge(float64(p.LampsNeeded) / float64(r.Lamps.Count))
	r.add("lamps", "Lamps for the target", float64(p.LampsNeeded), fmt.Sprintf("lamps for %.0f %% of full scale", 100*r.Target.Level), v,
		fmt.Sprintf("There are %d: %.0f lux on the screen, in the mean over the frame.", r.Lamps.Count, p.Lux),
		fmt.Sprintf("Add lamps, or open the band camera's iris by %s.", stopsOf(p.ScreenLevel/r.Target.Level)))

	v = spills.Judge(p.Spill / r.Target.Alpha)
	away := ""
	for _, s := range p.Spills {
		if spills.Judge(s.Spill/r.Target.Alpha) == reading.Good {
			away = fmt.Sprintf("Stand the performer %.2g m from the screen, or flag", s.Distance)
			break
		}
	}
	away = cmp.Or(away, "No distance up to 10 m is enough by itself: flag")
	r.add("spill", "Spill on the performer's sides", 100*p.Spill, "% let through (an estimate)", v,
		fmt.Sprintf("%s By form factors, at %.1f m from the screen.", say(v, "The performer's sides stay solid.", "The performer's sides will be slightly transparent.", "The performer's sides will be plainly transparent."), r.Performer.Distance),
		away+" the screen's edges out of their sides' sight and the lamps off them.")

	swing := 200 * p.Flicker
	v = swings.Judge(swing)
	safe := SafeShutters(r.FPS, r.Mains)
	advice := "Run the lamps on electronic ballasts."
	if len(safe) > 0 {
		near := slices.MinFunc(safe, func(a, b float64) int { return cmp.Compare(math.Abs(a-r.Band.Shutter), math.Abs(b-r.Band.Shutter)) })
		advice = fmt.Sprintf("Set both shutters to %.4g° (1/%.4g s), or run the lamps on electronic ballasts.", near, 360*r.FPS/near)
	}
	_, beat := Ripple(r.FPS, r.Band.Shutter, r.Mains, 1)
	meaning := "Every frame takes in the same light."
	if swing > beats {
		meaning = fmt.Sprintf("The lamps beat with the shutter at %.2g Hz; one gain a frame takes that out where every row is exposed at once.", beat)
	}
	r.add("flicker", "Lamp flicker", swing, "% peak to peak", v, meaning, advice)
}

func (r *planner) judgeCameras() {
	p, t := r.p, r.p.Tolerances
	err := r.codeError()
	v := codes.Judge(err / r.Target.Alpha)
	name := cmp.Or(r.Band.Sensor.Transfer, "linear")
	r.add("codes", "Quantization", 100*err, "% of alpha", v,
		fmt.Sprintf("%d bits in the %s curve, where that is coarsest and the screen darkest. The noise is %.1f times as large, and hides steps where it is larger.", r.Band.Sensor.Bits, name, p.Noise.Open/max(err, 1e-12)),
		"Record the band camera with more bits.")

	v = framing.Judge(t.Framing)
	var faults []string
	if t.Filled < filledFull {
		faults = append(faults, fmt.Sprintf("the screen fills only %.0f %% of the color camera's frame, which is %.1f m wide there", 100*t.Filled, t.Frame))
	}
	switch {
	case v == reading.Bad:
		faults = append(faults, "the band camera sees less than the color camera: what it does not see has no matte")
	case v == reading.Watch && len(faults) == 0:
		faults = append(faults, "the band camera's frame has no margin for the cameras' misalignment")
	}
	if t.Filled < filledFull {
		v = reading.Bad
	}
	meaning := "The screen fills the frame, and the band camera sees a little more than the color camera."
	if len(faults) > 0 {
		meaning = strings.ToUpper(faults[0][:1]) + strings.Join(faults, "; ")[1:] + "."
	}
	advice := "Use a slightly wider lens on the band camera, 2 % and more."
	if t.Filled < filledFull {
		advice = "Use a longer lens, move the cameras closer, or a larger screen. " + advice
	}
	r.add("framing", "Band frame over color frame", 100*t.Framing, "% of its width", v, meaning, advice)

	v = sampling.Judge(t.Sampling)
	r.add("sampling", "Band pixels to a color pixel", t.Sampling, "px, along each axis", v,
		say(v, "The band plate is as fine as the color plate.", "The band plate is coarser than the color plate: hair comes out softer in the matte.", "The band plate is far coarser than the color plate."),
		"Use a band camera with smaller pixels or a longer lens.")

	v = focus.Judge(t.Focus)
	r.add("focus", "Focus tolerance", 100*t.Focus, "cm to either side", v,
		fmt.Sprintf("Within it the two plates are alike enough for an edge: softer by %.2f px, or off by %.2f px, is an error of %.0f %% of alpha there.", t.Blur, t.Shift, 100*r.Target.Edge),
		"Close both irises, light more, and focus both cameras on one target.")
}

// assumed lists what the plan took that the setup does not say.
func (r *planner) assumed() []string {
	out := []string{
		"The screen and the performer scatter light evenly to all sides; the lamps are points; nothing else on the stage throws light back.",
		"The lamps' faint lines beside the D lines are as strong as on NIST's laboratory source, about 1 % together.",
		"Lenses let their T number through and fall off as cos⁴ of the angle, without vignetting or veiling glare.",
	}
	if r.Color.Sensor.Model == "color" || r.Band.Sensor.Model == "color" {
		out = append(out, "Color sensors: quantum efficiency of plain silicon, with dyes as bells at 605, 540 and 460 nm and an infrared cut at 650 to 700 nm (assumed).")
	}
	if r.Band.Sensor.Model == "mono" {
		out = append(out, "Mono sensor: quantum efficiency of plain silicon, 58 % at the line (assumed).")
	}
	add := func(given bool, format string, args ...any) {
		if !given {
			out = append(out, fmt.Sprintf(format, args...))
		}
	}
	g, f := r.given, r.Setup
	add(g.Screen.Reflectance != 0, "The screen gives back %.0f %% of the light (assumed).", 100*f.Screen.Reflectance)
	add(g.Performer.Reflectance != 0, "The costume gives back %.0f %% of the light (assumed).", 100*f.Performer.Reflectance)
	add(g.Performer.Cover != 0, "The performer covers %.0f %% of the frame (assumed).", 100*f.Performer.Cover)
	add(g.Lamps.Efficiency != 0, "Fixtures let %.0f %% of the lamp's light out (assumed).", 100*f.Lamps.Efficiency)
	add(g.Lamps.Beam != 0, "Fixtures are plain troughs, half as bright at 60° (assumed).")
	add(g.Lamps.Ripple != 0, "Within a pulse of the mains the lamps' light swings by %.0f %% of its mean (assumed).", 100*f.Lamps.Ripple)
	add(g.Lamps.Leak != 0, "Flags let %.1f %% of the bare lamps' light onto the performer (assumed).", 100*f.Lamps.Leak)
	add(g.Target.Blur != 0, "The color plate is soft by %.1f px, as the sigma of a Gaussian (assumed).", f.Target.Blur)
	index := false
	for _, list := range [][]Filter{f.Color.Filters, f.Band.Filters} {
		for _, filter := range list {
			index = index || filter.Index == 0
		}
	}
	add(!index, "Filters have an effective index of %.1f where none is given (assumed).", assumedIndex)
	return out
}
