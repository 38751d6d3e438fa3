package main

import (
	"bytes"
	_ "embed"
	"encoding/base64"
	"fmt"
	"html/template"
	"image"
	"image/jpeg"
	"io"
	"math"
	"slices"
	"strings"

	"github.com/disintegration/imaging"

	"example.com/twinplate/internal/app/page"
	"example.com/twinplate/internal/list"
	"example.com/twinplate/plate"
	"example.com/twinplate/reading"
	"example.com/twinplate/take"
)

//go:embed check.html
var checkPage string

// readingFuncs are what the templates of readings call.
var readingFuncs = template.FuncMap{
	"number": func(v *float64) string { return fmt.Sprintf("%.2f", *v) },
	// The verdict has a mark and a word, so that it needs no color.
	"mark": func(v reading.Verdict) string { return page.Mark(string(v)) },
}

var checkTemplate = template.Must(template.New("check").Funcs(readingFuncs).Parse(checkPage))

// pageCaution is caution under a heading of its own.
var pageCaution = "L" + strings.TrimPrefix(caution, "Cautions: l")

type picture struct {
	Source  template.URL
	Caption string
}

type drawing struct {
	SVG     template.HTML
	Caption string
}

// writeCheckPage writes the readings as one HTML page that needs no other file.
func writeCheckPage(w io.Writer, from string, c *take.Checkup) error {
	content := struct {
		Style                  template.CSS
		Summary, From, Caution string
		Readings               []reading.Reading
		Frame                  int
		Pictures               []picture
		Plots                  []drawing
		Notes                  []string
	}{Style: template.CSS(page.Style), Summary: summary(c), From: "Test shot: " + from, Caution: pageCaution, Readings: c.Readings, Frame: c.Frame, Plots: plots(c), Notes: c.Notes}
	// What is to be done comes first.
	content.Readings = c.Readings.WorstFirst()
	if c.Color != nil {
		core := list.Where(c.Leaky.Pix, func(v float32) bool { return v != 0 })
		// What is white in the pictures: nearly the most that there is, and no less than would
		// show.
		const (
			mostSpill, leastSpill = 0.98, 0.05 // a part of the core's pixels; a transmission
			mostNoise, leastNoise = 0.99, 1e-4 // a part of the frame's pixels; of alpha
		)
		spill := float32(leastSpill)
		if len(core) > 0 {
			spill = max(spill, quantileOf(core, mostSpill))
		}
		noise := max(quantileOf(c.Sigma.Pix, mostNoise), leastNoise)
		for _, p := range []struct {
			frame   image.Image
			caption string
		}{
			{c.Color, "The color plate."},
			{c.Band, "The band plate, brought into the color plate's frame."},
			{c.Alpha, "The matte: white is solid."},
			{scaled(c.Leaky, 1/spill), fmt.Sprintf("The performer's core before the set light is taken off the band plate. White lets %.0f %% through.", 100*spill)},
			{scaled(c.Spill, 1/spill), fmt.Sprintf("And after: what is left is spill, or true gaps. White lets %.0f %% through.", 100*spill)},
			{scaled(c.Sigma, 1/noise), fmt.Sprintf("Noise of the matte. White is %.1f %% of alpha and more.", 100*noise)},
			{stopsPicture(c.Screen), "The lit screen: a quarter of a stop to each step of gray, white where it is brightest."},
		} {
			source, err := inline(p.frame)
			if err != nil {
				return err
			}
			content.Pictures = append(content.Pictures, picture{source, p.caption})
		}
	}
	return checkTemplate.Execute(w, content)
}

// inline returns a small JPEG of the frame as a data URL.
func inline(frame image.Image) (template.URL, error) {
	width := min(frame.Bounds().Dx(), 640)
	small := imaging.Resize(frame, width, 0, imaging.Box)
	var b bytes.Buffer
	if err := jpeg.Encode(&b, small, &jpeg.Options{Quality: 85}); err != nil {
		return "", err
	}
	return template.URL("data:image/jpeg;base64," + base64.StdEncoding.EncodeToString(b.Bytes())), nil
}

func scaled(f *plate.Gray, by float32) *plate.Gray {
	out := plate.NewGray(f.W, f.H)
	for i, v := range f.Pix {
		out.Pix[i] = v * by
	}
	return out
}

// Parts of the frame's pixels that are darker than what counts as the screen's brightest, and as
// its darkest.
const litPart, darkPart = 0.995, 0.01

// stopsPicture shows the screen's light in steps of a quarter of a stop.
func stopsPicture(f *plate.Gray) *plate.Gray {
	const least, most = 2., 6. // stops that black may lie below white
	top := quantileOf(f.Pix, litPart)
	deepest := least
	if low := quantileOf(f.Pix, darkPart); low > 0 {
		deepest = min(max(math.Ceil(math.Log2(float64(top/low))), least), most)
	}
	out := plate.NewGray(f.W, f.H)
	for i, v := range f.Pix {
		stops := deepest
		if v > 0 {
			stops = min(max(-math.Log2(float64(v/top)), 0), deepest)
		}
		out.Pix[i] = float32(plate.SRGB.ToLinear(1 - math.Floor(4*stops)/(4*deepest)))
	}
	return out
}

func quantileOf(pix []float32, q float64) float32 {
	sorted := slices.Clone(pix)
	slices.Sort(sorted)
	return sorted[int(q*float64(len(sorted)-1))]
}

// plots draws what is read over the whole shot.
func plots(c *take.Checkup) []drawing {
	var out []drawing
	if len(c.Levels) > 0 {
		out = append(out, levelPlot(c.Levels))
	}
	if len(c.Gains) > 1 {
		out = append(out, gainPlot(c))
	}
	if c.Screen != nil {
		out = append(out, screenPlot(c.Screen))
	}
	if len(c.Agreement) > 1 {
		out = append(out, offsetPlot(c.Agreement))
	}
	return out
}

// done returns the finished drawing.
func done(c *page.Plot, caption string) drawing { return drawing{template.HTML(c.SVG()), caption} }

// levelPlot shows how much of the band plates lies at each level, on a logarithmic scale.
func levelPlot(levels []float64) drawing {
	c := page.NewChart("Levels of the band plate", 0, 100, -4, 0)
	for i, v := range levels {
		if v <= 0 {
			continue
		}
		x0, x1 := c.X(100*float64(i)/float64(len(levels))), c.X(100*float64(i+1)/float64(len(levels)))
		c.Add(`<rect class="bar" x="%.1f" y="%.1f" width="%.1f" height="%.1f"/>`, x0+0.5, c.Y(math.Log10(v)), x1-x0-1, c.Foot()-c.Y(math.Log10(v)))
	}
	c.Ticks([]float64{0, 25, 50, 75, 100}, []float64{-4, -3, -2, -1, 0}, page.Percent, func(v float64) string { return fmt.Sprintf("%g %%", 100*math.Pow(10, v)) }, "light, of full scale", "part of the frame")
	return done(c, "How much of the band plates lies at each level. A bar at the right end is light that clips.")
}

// gainPlot shows the lamps over the take.
func gainPlot(c *take.Checkup) drawing {
	first, last := float64(c.Gains[0].Frame), float64(c.Gains[len(c.Gains)-1].Frame)
	low, high := math.Inf(1), math.Inf(-1)
	var line [][2]float64
	for _, g := range c.Gains {
		low, high = min(low, 100*g.Gain), max(high, 100*g.Gain)
		line = append(line, [2]float64{float64(g.Frame), 100 * g.Gain})
	}
	step := 1.0
	for high-low > 5*step {
		step *= 2
	}
	low, high = math.Floor(low/step)*step, math.Ceil(high/step)*step
	if low == high {
		low, high = low-step, high+step
	}
	p := page.NewChart("The lamps over the test shot", first, last, low, high)
	var ys []float64
	for v := low; v <= high+1e-9; v += step {
		ys = append(ys, v)
	}
	p.Ticks([]float64{first, math.Round((first + last) / 2), last}, ys, page.Whole, page.Percent, "frame", "brightness")
	p.Line("line", line)
	caption := "The lamps, over those of the clean plate. No beat with the shutter is seen."
	if f := c.Flicker; f.Frequency > 0 {
		caption = fmt.Sprintf("The lamps, over those of the clean plate. They beat with the shutter every %.1f frames, by %.1f %%.", 1/f.Frequency, 100*f.Amplitude)
		if c.FPS > 0 {
			caption = fmt.Sprintf("The lamps, over those of the clean plate. They beat with the shutter at %.2f Hz, by %.1f %%.", f.Frequency*c.FPS, 100*f.Amplitude)
		}
	}
	return done(p, caption)
}

// screenPlot shows the screen's fall-off along its middle row and column, in stops.
func screenPlot(f *plate.Gray) drawing {
	top := float64(quantileOf(f.Pix, litPart))
	stops := func(sum float64, n int) float64 {
		if sum <= 0 {
			return -6
		}
		return max(math.Log2(sum/float64(n)/top), -6)
	}
	const points = 80
	profile := func(w, h int, at func(along, across int) float32) (line [][2]float64, low float64) {
		for k := range points {
			sum, n := 0.0, 0
			for x := k * w / points; x < max((k+1)*w/points, k*w/points+1); x++ {
				for y := h*9/20 - 1; y <= h*11/20; y++ {
					sum += float64(at(min(x, w-1), min(max(y, 0), h-1)))
					n++
				}
			}
			v := stops(sum, n)
			low = min(low, v)
			line = append(line, [2]float64{(float64(k) + 0.5) / points * 100, v})
		}
		return line, low
	}
	row, a := profile(f.W, f.H, func(x, y int) float32 { return f.Pix[y*f.W+x] })
	column, b := profile(f.H, f.W, func(y, x int) float32 { return f.Pix[y*f.W+x] })
	floor := math.Floor(min(a, b, -1))
	c := page.NewChart("Evenness of the screen", 0, 100, floor, 0.5)
	var ys []float64
	for v := floor; v <= 0; v++ {
		ys = append(ys, v)
	}
	c.Ticks([]float64{0, 50, 100}, ys, page.Percent, signed, "across the frame", "stops")
	c.Line("line", row)
	c.Line("dash", column)
	return done(c, "The screen's fall-off from its brightest: from left to right along the middle (solid), and from top to bottom (dashed).")
}

// signed writes a whole value with its sign, as a tick.
func signed(v float64) string {
	if v == 0 {
		return "0"
	}
	return fmt.Sprintf("%+.0f", v)
}

// offsetPlot shows which frames fit each other.
func offsetPlot(points [][2]float64) drawing {
	high := 0.0
	var line [][2]float64
	for _, p := range points {
		high = max(high, 110*p[1])
		line = append(line, [2]float64{p[0], 100 * p[1]})
	}
	first, last := points[0][0], points[len(points)-1][0]
	c := page.NewChart("Frame offset", first-0.5, last+0.5, 0, high)
	c.Ticks([]float64{first, 0, last}, []float64{0, high / 2, high}, signed, page.Percent, "band frames later", "motion in common")
	c.Line("line", line)
	for _, p := range line {
		c.Add(`<circle class="mark" cx="%.1f" cy="%.1f" r="5"/>`, c.X(p[0]), c.Y(p[1]))
	}
	return done(c, "How much of their motion the two recordings have in common, by which band frames are held against the color frames. It is most where both cameras saw the same moment.")
}
