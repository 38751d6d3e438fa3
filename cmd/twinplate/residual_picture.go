package main

import (
	"bytes"
	"encoding/base64"
	"fmt"
	"html"
	"image/jpeg"
	"io"
	"math"
	"slices"
	"strings"

	"github.com/disintegration/imaging"

	"example.com/twinplate/align"
	"example.com/twinplate/internal/robust"
	"example.com/twinplate/plate"
)

// A residualPicture shows how far a geometry is to be believed, over the frame that it is for.
type residualPicture struct {
	frame    *plate.RGB // a color plate of the take
	geometry align.Geometry
	sigma    func(x, y float64) float64 // expected error, in band pixels
	pieces   []align.PointPair          // what the geometry was found from
	what     string                     // what they are: "corners", "pieces of edge"
	title    string
}

// The picture's measures, in its own units.
const (
	residualWidth  = 1280
	residualMost   = 700 // arrows
	residualLegend = 108
	residualLong   = 34 // length of an arrow that nine in ten do not exceed
)

// write writes the picture as SVG 1.1 with the color plate, dimmed, as a JPEG in it.
func (p *residualPicture) write(w io.Writer) error {
	k := float64(residualWidth) / float64(p.geometry.ColorW)
	height := math.Round(float64(p.geometry.ColorH) * k)
	var b strings.Builder
	fmt.Fprintf(&b, `<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" viewBox="0 0 %d %.0f" width="%d" height="%.0f" role="img" font-family="system-ui, sans-serif">`,
		residualWidth, height+residualLegend, residualWidth, height+residualLegend)
	fmt.Fprintf(&b, "<title>%s</title>\n", html.EscapeString(p.title))
	// Lines over a picture have a dark edge, so that they are seen on bright parts too.
	b.WriteString(`<style>.halo{stroke:#000;stroke-opacity:.7;fill:none}.arrow{stroke:#ffd23f;stroke-width:1.4;fill:none}.head{fill:#ffd23f}.line{stroke:#fff;stroke-width:1.6;fill:none}text{fill:#fff}.label{font-size:17px;paint-order:stroke;stroke:#000;stroke-width:4px}.legend{font-size:19px}</style>` + "\n")
	dimmed, err := p.dimmed()
	if err != nil {
		return err
	}
	fmt.Fprintf(&b, `<image width="%d" height="%.0f" preserveAspectRatio="none" xlink:href="data:image/jpeg;base64,%s"/>`+"\n", residualWidth, height, dimmed)
	levels := p.contours(&b, k)
	factor := p.arrows(&b, k)
	p.legend(&b, height, factor, k, levels)
	b.WriteString("</svg>\n")
	_, err = io.WriteString(w, b.String())
	return err
}

// dimmed returns the color plate at two fifths of its brightness on screen, as a JPEG in base 64.
func (p *residualPicture) dimmed() (string, error) {
	small := imaging.Resize(plate.Encode(p.frame, plate.SRGB, 8), residualWidth, 0, imaging.Box)
	for i, v := range small.Pix {
		if i%4 != 3 {
			small.Pix[i] = uint8(int(v)*2/5 + 16)
		}
	}
	var b bytes.Buffer
	if err := jpeg.Encode(&b, small, &jpeg.Options{Quality: 85}); err != nil {
		return "", err
	}
	return base64.StdEncoding.EncodeToString(b.Bytes()), nil
}

// nice returns the largest of 1, 2 and 5 times a power of ten that is not above v.
func nice(v float64) float64 {
	power := math.Pow(10, math.Floor(math.Log10(v)))
	for _, m := range []float64{5, 2} {
		if m*power <= v*(1+1e-9) {
			return m * power
		}
	}
	return power
}

// arrows draws the displacements, and returns how many times as long as they are, in color pixels.
func (p *residualPicture) arrows(b *strings.Builder, k float64) (factor float64) {
	type arrow struct{ x, y, dx, dy float64 }
	var all []arrow
	var lengths []float64
	for _, q := range p.pieces {
		x, y := p.geometry.Inverse(q.Band[0], q.Band[1])
		a := arrow{q.Color[0], q.Color[1], x - q.Color[0], y - q.Color[1]}
		all, lengths = append(all, a), append(lengths, math.Hypot(a.dx, a.dy))
	}
	if len(all) == 0 {
		return 1
	}
	factor = nice(residualLong / k / max(robust.Nth(lengths, len(lengths)*9/10), 1e-6))
	step := (len(all) + residualMost - 1) / residualMost
	var halo, line, head strings.Builder
	for i := 0; i < len(all); i += step {
		a := all[i]
		x, y, dx, dy := (a.x+0.5)*k, (a.y+0.5)*k, a.dx*factor*k, a.dy*factor*k
		n := math.Hypot(dx, dy)
		if n < 0.5 {
			fmt.Fprintf(&line, "M%.1f %.1fh.5", x, y)
			continue
		}
		fmt.Fprintf(&halo, "M%.1f %.1fl%.1f %.1f", x, y, dx, dy)
		fmt.Fprintf(&line, "M%.1f %.1fl%.1f %.1f", x, y, dx, dy)
		s := min(7, 3+n/6) / n
		ux, uy := dx*s, dy*s
		fmt.Fprintf(&head, "M%.1f %.1fL%.1f %.1fL%.1f %.1fZ", x+dx, y+dy, x+dx-ux-uy*0.4, y+dy-uy+ux*0.4, x+dx-ux+uy*0.4, y+dy-uy-ux*0.4)
	}
	fmt.Fprintf(b, `<path class="halo" stroke-width="3.4" d="%s"/><path class="arrow" d="%s"/><path class="head" d="%s"/>`+"\n", &halo, &line, &head)
	return factor
}

// contours draws lines of equal expected error, and returns their levels.
func (p *residualPicture) contours(b *strings.Builder, k float64) (levels []float64) {
	const nx = 96
	ny := max(nx*p.geometry.ColorH/p.geometry.ColorW, 4)
	at := func(i, j int) (x, y float64) {
		return float64(i) / nx * float64(p.geometry.ColorW-1), float64(j) / float64(ny) * float64(p.geometry.ColorH-1)
	}
	values := make([]float64, (nx+1)*(ny+1))
	low, high := math.Inf(1), 0.0
	for j := range ny + 1 {
		for i := range nx + 1 {
			v := p.sigma(at(i, j))
			values[j*(nx+1)+i] = v
			low, high = min(low, v), max(high, v)
		}
	}
	if !(low > 0) || math.IsInf(high, 0) {
		return nil
	}
	for level := nice(low); level < high; level = nice(level * 2.6) {
		if level > low {
			levels = append(levels, level)
		}
	}
	// At most five, the largest being the least telling.
	levels = levels[:min(len(levels), 5)]
	var labels strings.Builder
	var taken [][2]float64
	for n, level := range levels {
		var line strings.Builder
		best, lx, ly := math.Inf(1), 0.0, 0.0
		for j := range ny {
			for i := range nx {
				// The places where the line crosses the cell's sides.
				var cross [][2]float64
				corners := [4][2]int{{i, j}, {i + 1, j}, {i + 1, j + 1}, {i, j + 1}}
				for c, from := range corners {
					to := corners[(c+1)%4]
					u, v := values[from[1]*(nx+1)+from[0]], values[to[1]*(nx+1)+to[0]]
					if (u < level) == (v < level) {
						continue
					}
					t := (level - u) / (v - u)
					x0, y0 := at(from[0], from[1])
					x1, y1 := at(to[0], to[1])
					cross = append(cross, [2]float64{(x0 + t*(x1-x0) + 0.5) * k, (y0 + t*(y1-y0) + 0.5) * k})
				}
				for c := 0; c+1 < len(cross); c += 2 {
					fmt.Fprintf(&line, "M%.1f %.1fL%.1f %.1f", cross[c][0], cross[c][1], cross[c+1][0], cross[c+1][1])
					// Labels stand along a falling diagonal, each on its own line, clear of the
					// others.
					wantX, wantY := residualWidth*(0.93-0.1*float64(n)), k*float64(p.geometry.ColorH)*(0.1+0.2*float64(n))
					near := func(q [2]float64) bool { return math.Hypot(q[0]-cross[c][0], q[1]-cross[c][1]) < 90 }
					if d := math.Hypot(cross[c][0]-wantX, cross[c][1]-wantY); d < best && !slices.ContainsFunc(taken, near) {
						best, lx, ly = d, cross[c][0], cross[c][1]
					}
				}
			}
		}
		fmt.Fprintf(b, `<path class="halo" stroke-width="3.6" d="%s"/><path class="line" d="%s"/>`+"\n", &line, &line)
		taken = append(taken, [2]float64{lx, ly})
		lx, ly = min(max(lx, 40), residualWidth-40), max(ly, 22)
		fmt.Fprintf(&labels, `<text class="label" x="%.0f" y="%.0f" text-anchor="middle">%g px</text>`, lx, ly+6, level)
	}
	b.WriteString(labels.String() + "\n")
	return levels
}

// legend says what the lines and arrows mean.
func (p *residualPicture) legend(b *strings.Builder, top, factor, k float64, levels []float64) {
	fmt.Fprintf(b, `<rect y="%.0f" width="%d" height="%d" fill="#1c1c1c"/><text class="legend" x="20" y="%.0f">%s</text>`+"\n", top, residualWidth, residualLegend, top+30, html.EscapeString(p.title))
	px := nice(90 / (factor * k))
	n := px * factor * k
	y := top + 58
	shown := fmt.Sprintf("all %d %s", len(p.pieces), p.what)
	if step := (len(p.pieces) + residualMost - 1) / residualMost; step > 1 {
		shown = fmt.Sprintf("one in %d of %d %s", step, len(p.pieces), p.what)
	}
	fmt.Fprintf(b, `<path class="arrow" d="M20 %.0fh%.1f"/><path class="head" d="M%.1f %.0fl-7 -3v6z"/><text class="legend" x="%.0f" y="%.0f">%g px, drawn %s times as long: how far off the band plate still is, at %s</text>`+"\n",
		y-6, n, 20+n, y-6, 34+n, y, px, thousands(factor), shown)
	y += 30
	text := "the expected error hardly varies over the frame: no line of it is drawn"
	if len(levels) > 0 {
		text = "lines of equal expected error of the geometry (one standard deviation), in band pixels"
	}
	fmt.Fprintf(b, `<path class="line" d="M20 %.0fh60"/><text class="legend" x="94" y="%.0f">%s</text>`+"\n", y-6, y, text)
}

// thousands writes a whole number with a comma between thousands.
func thousands(v float64) string {
	s := fmt.Sprintf("%.0f", v)
	for i := len(s) - 3; i > 0; i -= 3 {
		s = s[:i] + "," + s[i:]
	}
	return s
}
