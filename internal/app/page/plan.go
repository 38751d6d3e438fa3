package page

import (
	"cmp"
	_ "embed"
	"fmt"
	"html"
	"io"
	"math"
	"slices"
	"strings"

	"example.com/twinplate/internal/list"
	"example.com/twinplate/reading"
	"example.com/twinplate/rig"
)

//go:embed plan.css
var planStyle string

// Plan writes a plan as one HTML page that needs no other file, for a screen, a phone and a printed
// sheet.
func Plan(w io.Writer, p *rig.Plan) error {
	d := &document{}
	d.raw("<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n")
	d.text("<title>%s</title>\n", title(p))
	d.raw("<style>\n" + Style + planStyle + "</style>\n</head>\n<body class=\"plan\">\n")
	d.head(p)
	d.readings(p)
	d.spectrum(p)
	d.frame(p)
	d.lights(p)
	d.shutter(p)
	d.lists(p)
	d.raw("</body>\n</html>\n")
	_, err := io.WriteString(w, d.b.String())
	return err
}

func title(p *rig.Plan) string {
	return cmp.Or(p.Name, "Plan of a shoot")
}

// A document is HTML in the making.
type document struct{ b strings.Builder }

// raw adds HTML as it is.
func (d *document) raw(s string) { d.b.WriteString(s) }

// text adds HTML by a format in which every text argument is escaped.
func (d *document) text(format string, args ...any) {
	for i, a := range args {
		if s, ok := a.(string); ok {
			args[i] = html.EscapeString(s)
		}
	}
	fmt.Fprintf(&d.b, format, args...)
}

func (d *document) section(name, lead string) {
	d.text("<h2>%s</h2>\n", name)
	if lead != "" {
		d.text("<p class=\"lead\">%s</p>\n", lead)
	}
}

// short writes a number with about three figures.
func short(v float64) string {
	switch a := math.Abs(v); {
	case a >= 100 || a == math.Trunc(a):
		return fmt.Sprintf("%.0f", v)
	case a >= 10:
		return fmt.Sprintf("%.1f", v)
	}
	return fmt.Sprintf("%.2f", v)
}

func (d *document) head(p *rig.Plan) {
	s := p.Setup
	d.text("<h1>%s</h1>\n<p class=\"from\">%s: %g frames a second at %g Hz mains; %d lamps on a screen of %.3g × %.3g m; the performer %.3g m before it, the cameras %.3g m further.</p>\n",
		p.Summary(), title(p), s.FPS, s.Mains, s.Lamps.Count, s.Screen.Width, s.Screen.Height, s.Performer.Distance, s.Distance)
	d.raw("<dl class=\"key\">\n")
	for _, k := range []struct{ value, unit, name string }{
		{short(100 * p.ScreenLevel), "%", "the screen in the band plate, of full scale"},
		{short(100 * p.White), "%", "a white costume in the color plate"},
		{short(100 * slices.Max(p.Crosstalk[:])), "%", "set light in the band, m"},
		{short(100 * slices.Max(p.ScreenColor[:])), "%", "screen light in color, K"},
		{short(p.Evenness), "stops", "fall-off of the screen over the frame"},
		{short(100 * p.Noise.Frame), "%", "noise of alpha"},
	} {
		d.text("<div><dt>%s</dt><dd>%s <small>%s</small></dd></div>\n", k.name, k.value, k.unit)
	}
	d.raw("</dl>\n")
}

func (d *document) readings(p *rig.Plan) {
	wrong := func(r reading.Reading) bool { return r.Verdict.Wrong() }
	all := p.Readings.WorstFirst()
	change, fine := list.Where(all, wrong), list.Where(all, func(r reading.Reading) bool { return !wrong(r) })
	if len(change) > 0 {
		d.section("What to change", "")
		d.raw("<ul class=\"readings\">\n")
		for _, r := range change {
			d.text("<li class=\"%s\"><div class=\"head\"><h3>%s</h3><span class=\"verdict\">%s %s</span></div>\n<p class=\"value\">%s <small>%s</small></p>\n<p>%s</p>\n",
				string(r.Verdict), r.Title, Mark(string(r.Verdict)), string(r.Verdict), short(*r.Value), r.Unit, r.Meaning)
			if r.Advice != "" {
				d.text("<p class=\"do\">%s</p>\n", r.Advice)
			}
			d.raw("</li>\n")
		}
		d.raw("</ul>\n")
	}
	if len(fine) > 0 {
		d.section("As it should be", "")
		d.raw("<ul class=\"fine\">\n")
		for _, r := range fine {
			unit, rest, _ := strings.Cut(r.Unit, " ")
			unit = strings.TrimSuffix(unit, ",")
			d.text("<li><div class=\"head\"><h3>%s %s</h3><span class=\"value\">%s %s</span></div>\n<p>%s%s</p></li>\n",
				Mark("good"), r.Title, short(*r.Value), unit, capital(rest), r.Meaning)
		}
		d.raw("</ul>\n")
	}
}

// capital makes the rest of a unit a sentence of its own.
func capital(s string) string {
	if strings.HasPrefix(s, "(") {
		s = strings.Trim(s, "()")
	}
	if s == "" {
		return ""
	}
	return strings.ToUpper(s[:1]) + s[1:] + ". "
}

// figure adds a drawing with its caption; swatches are class and name by turns.
func (d *document) figure(svg, caption string, swatches ...string) {
	d.raw("<figure>" + svg + "<figcaption>")
	if len(swatches) > 0 {
		d.raw("<ul class=\"swatches\">")
		for i := 0; i+1 < len(swatches); i += 2 {
			d.text("<li><svg viewBox=\"0 0 44 16\" aria-hidden=\"true\"><path class=\"%s\" d=\"M1 %s\"/></svg>%s</li>", swatches[i], sample(swatches[i]), swatches[i+1])
		}
		d.raw("</ul>")
	}
	d.text("%s</figcaption></figure>\n", caption)
}

// sample is the path of a swatch: a line, or an area.
func sample(class string) string {
	if class == "band" {
		return "14V3H43V14Z"
	}
	return "8H43"
}

// plot returns an empty chart of the plan's page.
func plot(title string, x0, x1, y0, y1 float64) *Plot {
	c := newChart(title, 460, 320, x0, x1, y0, y1)
	c.left = 84
	return c
}

func (c *Plot) rule(x float64, name string) {
	c.Add(`<path class="rule" d="M%.1f %.1fV%.1f"/>`, c.X(x), c.top, c.foot)
	anchor, dx := "start", 6.0
	if c.X(x) > (c.left+c.right)/2 {
		anchor, dx = "end", -6
	}
	c.Add(`<text class="note" x="%.1f" y="%.1f" text-anchor="%s">%s</text>`, c.X(x)+dx, c.top+14, anchor, html.EscapeString(name))
}

// area fills what is under a line.
func (c *Plot) area(class string, points [][2]float64) {
	if len(points) == 0 {
		return
	}
	c.Add(`<path class="%s" d="M%.1f %.1f`, class, c.X(points[0][0]), c.foot)
	for _, p := range points {
		c.Add("L%.1f %.1f", c.X(p[0]), c.Y(p[1]))
	}
	c.Add(`L%.1f %.1fZ"/>`, c.X(points[len(points)-1][0]), c.foot)
}

// between returns the points of a spectrum from one wavelength to another, every so many of them
// where it is dense.
func between(s rig.Spectrum, from, to, step float64) [][2]float64 {
	var out [][2]float64
	for _, p := range s {
		if p[0] < from || p[0] > to {
			continue
		}
		if n := len(out); n > 0 && p[0]-out[n-1][0] < step && p[0] != to {
			continue
		}
		out = append(out, p)
	}
	return out
}

func percents(v [][2]float64) [][2]float64 {
	return list.Of(v, func(p [2]float64) [2]float64 { return [2]float64{p[0], 100 * p[1]} })
}

// styles of the set lights' lines, by turns.
var styles = []string{"thin one", "thin two", "thin three"}

func (d *document) spectrum(p *rig.Plan) {
	d.section("Spectrum", "")
	d.raw("<div class=\"pictures\">\n")
	s := p.Spectra

	c := plot("Spectrum", 400, 700, 0, 100)
	c.Ticks([]float64{400, 450, 500, 550, 600, 650, 700}, []float64{0, 50, 100}, Whole, Percent, "nm", "let through; lights, of the largest")
	var swatches []string
	for i, light := range s.Lights {
		c.Line(styles[i%len(styles)], percents(between(light, 400, 700, 2)))
		swatches = append(swatches, styles[i%len(styles)], p.Lights[i].Name)
	}
	c.Line("line", percents(between(s.Color, 400, 700, 1)))
	c.area("band", percents(between(s.Band, 400, 700, 0.5)))
	d.figure(c.SVG(), "The set lights on the performer, and what the filters before both cameras let through.", append([]string{"band", "band camera", "line", "color camera"}, swatches...)...)

	const from, to = 560, 620
	c = plot("Spectrum about the line", from, to, 0, 100)
	c.Ticks([]float64{560, 570, 580, 590, 600, 610, 620}, []float64{0, 50, 100}, Whole, Percent, "nm", "let through")
	c.area("band", percents(between(s.Band, from, to, 0)))
	c.Line("dash", percents(between(s.Corner, from, to, 0)))
	c.Line("line", percents(between(s.Color, from, to, 0)))
	for _, l := range s.Lines {
		height := 100 * l.Power
		if l.Power < 0.1 {
			height = 6
		}
		c.Add(`<path class="accent" d="M%.1f %.1fV%.1f"/>`, c.X(l.NM), c.foot, c.Y(height))
	}
	d.figure(c.SVG(), "The lamps' lines: the D lines, and faint ones beside them, which are drawn taller than they are. Toward the corner the passband moves to shorter wavelengths.",
		"accent", "lines", "band", "band, middle", "dash", "band, corner", "line", "color camera")

	top := math.Ceil(p.Angles[len(p.Angles)-1].Degrees/5) * 5
	c = plot("The line over the field", 0, top, -5, 0)
	c.Ticks(steps(0, top, 5), []float64{-5, -4, -3, -2, -1, 0}, func(v float64) string { return fmt.Sprintf("%.0f°", v) }, decade, "off the axis", "of the line let through")
	c.rule(min(p.Corner, top), "corner")
	var band, color [][2]float64
	for _, a := range p.Angles {
		band = append(band, [2]float64{a.Degrees, math.Log10(max(a.Band, 1e-9))})
		color = append(color, [2]float64{a.Degrees, math.Log10(max(a.Color, 1e-9))})
	}
	c.Line("accent", band)
	c.Line("line", color)
	w := p.Wanted
	d.figure(c.SVG(), fmt.Sprintf("The line stays inside the band camera's passband to %.1f°, and under 1 %% in the color camera to %.1f°; the corner is at %.1f°. For this lens a passband of %.0f nm centered long, at %.1f nm, does what one of %.0f nm centered on the line would.",
		p.BandReach, p.ColorReach, p.Corner, math.Ceil(w[1].Width), w[1].Center, math.Ceil(w[0].Width)), "accent", "band camera", "line", "color camera")
	d.raw("</div>\n")
}

func steps(from, to, step float64) (out []float64) {
	for (to-from)/step > 8 {
		step *= 2
	}
	for v := from; v <= to+1e-9; v += step {
		out = append(out, v)
	}
	return out
}

// decade writes a power of ten as a percentage.
func decade(v float64) string { return fmt.Sprintf("%g %%", math.Round(1e4*100*math.Pow(10, v))/1e4) }

func (d *document) frame(p *rig.Plan) {
	d.section("Screen, lamps and performer", "")
	d.raw("<div class=\"pictures\">\n")
	d.screen(p)

	high := 0.0
	for _, s := range p.Standoffs {
		high = max(high, s.Evenness)
	}
	high = math.Ceil(high*2) / 2
	c := plot("Lamps before the screen", 0, 4, 0, high)
	c.Ticks([]float64{0, 1, 2, 3, 4}, steps(0, high, 0.5), func(v float64) string { return fmt.Sprintf("%g m", v) }, func(v float64) string { return fmt.Sprintf("%.1f", v) }, "lamps before the screen", "fall-off, stops")
	even := list.Of(p.Standoffs, func(s rig.Standoff) [2]float64 { return [2]float64{s.Distance, s.Evenness} })
	c.Line("line", even)
	if x := p.Setup.Lamps.Distance; x <= 4 {
		c.Add(`<circle class="spot" cx="%.1f" cy="%.1f" r="7"/>`, c.X(x), c.Y(p.Evenness))
	}
	near, far := p.Standoffs[0], p.Standoffs[len(p.Standoffs)-1]
	d.figure(c.SVG(), fmt.Sprintf("Lamps further from the screen light it more evenly, and less: at %.2g m it reaches %.0f %% of full scale, at %.2g m %.0f %%. %d lamps reach %.0f %%; %d would reach the %.0f %% aimed at.",
		near.Distance, 100*near.Level, far.Distance, 100*far.Level, p.Setup.Lamps.Count, 100*p.ScreenLevel, p.LampsNeeded, 100*p.Setup.Target.Level))

	last := p.Spills[len(p.Spills)-1]
	c = plot("Spill by distance", 0, last.Distance, -3.5, -1)
	c.Ticks(steps(0, last.Distance, 2), []float64{-3, -2, -1}, func(v float64) string { return fmt.Sprintf("%g m", v) }, decade, "performer before the screen", "let through by spill")
	spill := list.Of(p.Spills, func(s rig.SpillAt) [2]float64 { return [2]float64{s.Distance, math.Log10(max(s.Spill, 1e-6))} })
	c.Line("line", spill)
	if x := p.Setup.Performer.Distance; x <= last.Distance {
		c.Add(`<circle class="spot" cx="%.1f" cy="%.1f" r="7"/>`, c.X(x), c.Y(math.Log10(max(p.Spill, 1e-6))))
	}
	d.figure(c.SVG(), fmt.Sprintf("An estimate, by the form factor of the screen as the performer's sides see it: %.1f %% at %.3g m. Walls and floor that are not black add to it.", 100*p.Spill, p.Setup.Performer.Distance))
	d.raw("</div>\n")
}

// screen draws the screen over the frame in steps of a quarter of a stop.
func (d *document) screen(p *rig.Plan) {
	m := p.Map
	const left, top, width = 20.0, 16.0, 420.0
	cell := width / float64(m.W)
	var b strings.Builder
	fmt.Fprintf(&b, `<svg viewBox="0 0 460 320" role="img" aria-label="The screen as the band camera sees it">`)
	height := cell * float64(m.H)
	y0 := top + max(0, (232-height)/2)
	stop := func(i int) float64 {
		if m.S[i] <= 0 {
			return 99
		}
		return math.Floor(4*max(math.Log2(p.ScreenLevel/m.S[i]), 0)) / 4
	}
	deepest := max(2, math.Ceil(p.Evenness))
	shade := func(stops float64) int { return int(max(245*(1-0.82*min(stops/deepest, 1)), 0)) }
	for j := range m.H {
		for i := 0; i < m.W; {
			n := 1
			for i+n < m.W && stop(j*m.W+i+n) == stop(j*m.W+i) {
				n++
			}
			v := 0
			if s := stop(j*m.W + i); s < 99 {
				v = shade(s)
			}
			fmt.Fprintf(&b, `<path fill="#%02x%02x%02x" d="M%.1f %.1fh%.1fv%.1fh-%.1fz"/>`, v, v, v, left+float64(i)*cell, y0+float64(j)*cell, float64(n)*cell+0.3, cell+0.3, float64(n)*cell+0.3)
			i += n
		}
	}
	// The scale.
	steps := min(int(4*deepest), 12)
	each := width / float64(steps)
	for k := range steps {
		v := shade(float64(k) / 4)
		fmt.Fprintf(&b, `<path fill="#%02x%02x%02x" d="M%.1f 268h%.1fv14h-%.1fz"/>`, v, v, v, left+float64(k)*each, each, each)
	}
	fmt.Fprintf(&b, `<text x="%.0f" y="304">brightest</text><text x="%.0f" y="304" text-anchor="end">%.3g stops below</text></svg>`, left, left+width, float64(steps)/4)
	d.figure(b.String(), fmt.Sprintf("The screen over the frame as the band camera sees it, a quarter of a stop to each step of gray; %.0f lux in the mean. The frame is %.1f m wide there.", p.Lux, p.Tolerances.Frame))
}

func (d *document) table(caption string, heads []string, rows [][]string, ours int, class string) {
	d.text("<div class=\"scroll %s\"><table><caption>%s</caption>\n<thead><tr>", class, caption)
	for _, h := range heads {
		d.text("<th scope=\"col\">%s</th>", h)
	}
	d.raw("</tr></thead>\n<tbody>\n")
	for i, r := range rows {
		if i == ours {
			d.raw("<tr class=\"ours\">")
		} else {
			d.raw("<tr>")
		}
		for k, v := range r {
			if k == 0 {
				d.text("<th scope=\"row\">%s</th>", v)
			} else {
				d.text("<td>%s</td>", v)
			}
		}
		d.raw("</tr>\n")
	}
	d.raw("</tbody></table></div>\n")
}

func (d *document) lights(p *rig.Plan) {
	d.section("Set lights", "What each does to the band plate: how transparent a white costume would look in it before crosstalk is taken off, and the error that is left after, over costumes of many colors. “Over tungsten” is what it gives the band camera beside a tungsten light of as many lux.")
	rows := list.Of(p.Lights, func(l rig.LightPlan) []string {
		return []string{l.Name, fmt.Sprintf("%.0f", l.Lux), fmt.Sprintf("%.2f", l.Tungsten), short(100 * slices.Max(l.Crosstalk[:])), short(100 * l.Before), short(100 * l.After)}
	})
	d.table("", []string{"light", "lux", "over tungsten", "m, %", "before, %", "after, %"}, rows, -1, "whole")
}

func (d *document) shutter(p *rig.Plan) {
	d.section("Shutter and recording", "")
	d.raw("<div class=\"tables\">\n")
	angles := func(v []float64, any bool) string {
		var out []string
		for _, a := range v {
			if a > 40 && len(out) < 4 {
				out = append(out, fmt.Sprintf("%.4g°", a))
			}
		}
		list := strings.Join(out, ", ")
		switch {
		case any && list != "":
			return "any; " + list
		case any:
			return "any"
		case list == "":
			return "none"
		}
		return list
	}
	var rows [][]string
	ours := -1
	for i, s := range p.Shutters {
		if s.FPS == p.Setup.FPS {
			ours = i
		}
		rows = append(rows, []string{fmt.Sprintf("%g", s.FPS), angles(s.At50, s.Any50), angles(s.At60, s.Any60)})
	}
	d.table("Shutter angles that are safe with lamps on magnetic ballasts (common practice). Where any angle is, those listed are so even if the mains drift.", []string{"frames a second", "50 Hz", "60 Hz"}, rows, ours, "")

	rows, ours = nil, -1
	bits := []int{8, 10, 12, 14}
	name := cmp.Or(p.Setup.Band.Sensor.Transfer, "linear")
	for i, c := range p.Codes {
		if c.Curve == name {
			ours = i
		}
		alphas := list.Of(bits, func(b int) string { return fmt.Sprintf("%.2g", 100*c.Alpha[b]) })
		rows = append(rows, append([]string{c.Curve}, alphas...))
	}
	d.table(fmt.Sprintf("Error of alpha by quantization, in %%, where it is the largest. The target is %.2g %%.", 100*p.Setup.Target.Alpha), []string{"curve", "8 bits", "10", "12", "14"}, rows, ours, "")
	d.raw("</div>\n")
}

func (d *document) lists(p *rig.Plan) {
	d.raw("<div class=\"halves\"><div>\n")
	d.section("To record", "")
	d.raw("<ul class=\"tick\">\n")
	for _, r := range p.Records {
		d.text("<li><div><b>%s</b><p>%s</p><p class=\"why\">%s</p></div></li>\n", r.What, r.How, r.Why)
	}
	d.raw("</ul>\n</div><div>\n")
	d.section("The order on the day", "")
	d.raw("<dl class=\"day\">\n")
	for _, s := range p.Day {
		d.text("<dt>%s</dt><dd>%s</dd>\n", s.When, s.Do)
	}
	d.raw("</dl>\n</div></div>\n<div class=\"halves\"><div>\n")
	for i, l := range []struct {
		name  string
		items []string
	}{{"Cautions", p.Cautions}, {"Assumed", p.Assumed}} {
		if i == 1 {
			d.raw("</div><div>\n")
		}
		d.section(l.name, "")
		d.raw("<ul class=\"notes\">\n")
		for _, t := range l.items {
			d.text("<li>%s</li>\n", t)
		}
		d.raw("</ul>\n")
	}
	d.raw("</div></div>\n")
}
