// Package page holds what the command's and the playground's HTML pages share: the style, plots
// drawn as SVG, and the page of a plan. It needs no template engine, which would make a program for
// the browser far larger.
package page

import (
	_ "embed"
	"fmt"
	"html"
	"strings"
)

// Style is the style sheet of all pages, made for a dark room: gray, so that no color beside a
// picture misleads.
//
//go:embed style.css
var Style string

// Mark returns the sign that goes with a verdict's word, so that it needs no color.
func Mark(verdict string) string {
	return map[string]string{"good": "✓", "watch": "△", "bad": "✕", "unknown": "?"}[verdict]
}

// margin is to the right of a plot's area.
const margin = 20

// A Plot is a drawing with axes, as SVG. Its lines have the classes of Style.
type Plot struct {
	b                      strings.Builder
	x0, x1, y0, y1         float64 // the data's range
	left, right, top, foot float64 // of the plot's area
}

// NewChart returns a chart of 640x360 units over this range of data.
func NewChart(title string, x0, x1, y0, y1 float64) *Plot {
	return newChart(title, 640, 360, x0, x1, y0, y1)
}

func newChart(title string, w, h, x0, x1, y0, y1 float64) *Plot {
	c := &Plot{x0: x0, x1: x1, y0: y0, y1: y1, left: 76, right: w - margin, top: 34, foot: h - 60}
	c.Add(`<svg viewBox="0 0 %.0f %.0f" role="img" aria-label="%s">`, w, h, html.EscapeString(title))
	return c
}

// Add draws SVG of the caller's own.
func (c *Plot) Add(format string, args ...any) { fmt.Fprintf(&c.b, format, args...) }

// X returns where a value of the data is in the drawing, from left to right.
func (c *Plot) X(v float64) float64 {
	return c.left + (v-c.x0)/(c.x1-c.x0)*(c.right-c.left)
}

// Y is X from the foot upward. What is beyond the range is brought to its ends.
func (c *Plot) Y(v float64) float64 {
	return c.foot - (min(max(v, c.y0), c.y1)-c.y0)/(c.y1-c.y0)*(c.foot-c.top)
}

// Foot returns where the lower axis is in the drawing.
func (c *Plot) Foot() float64 { return c.foot }

// Ticks draws the axes with marks at the places given.
func (c *Plot) Ticks(xs, ys []float64, xf, yf func(float64) string, xName, yName string) {
	for _, v := range ys {
		c.Add(`<path class="grid" d="M%.1f %.1fH%.1f"/><text x="%.1f" y="%.1f" text-anchor="end">%s</text>`, c.left, c.Y(v), c.right, c.left-8, c.Y(v)+5, yf(v))
	}
	for _, v := range xs {
		x, anchor := c.X(v), "middle"
		if x > c.right-1 { // or it would be cut off
			x, anchor = c.right+margin-2, "end"
		}
		c.Add(`<path class="axis" d="M%.1f %.1fv6"/><text x="%.1f" y="%.1f" text-anchor="%s">%s</text>`, c.X(v), c.foot, x, c.foot+22, anchor, xf(v))
	}
	c.Add(`<path class="axis" d="M%.1f %.1fV%.1fH%.1f"/>`, c.left, c.top, c.foot, c.right)
	c.Add(`<text x="%.1f" y="%.0f" text-anchor="middle">%s</text><text x="%.1f" y="14">%s</text>`, (c.left+c.right)/2, c.foot+50, xName, 4.0, yName)
}

// Line draws a line through points of the data, in the class given.
func (c *Plot) Line(class string, points [][2]float64) {
	c.b.WriteString(`<path class="` + class + `" d="`)
	for i, p := range points {
		verb := "L"
		if i == 0 {
			verb = "M"
		}
		c.Add("%s%.1f %.1f", verb, c.X(p[0]), c.Y(p[1]))
	}
	c.b.WriteString(`"/>`)
}

// SVG returns the drawing. Nothing can be added after it.
func (c *Plot) SVG() string {
	c.b.WriteString("</svg>")
	return c.b.String()
}

// Percent writes a value in percent, as a tick.
func Percent(v float64) string { return fmt.Sprintf("%.0f %%", v) }

// Whole writes a value as a whole number, as a tick.
func Whole(v float64) string { return fmt.Sprintf("%.0f", v) }
