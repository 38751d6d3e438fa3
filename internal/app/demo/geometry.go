// Package demo holds what the command's demo and the playground's share beside rig's scene.
package demo

import (
	"math"

	"example.com/twinplate/align"
)

// Geometry is how the band camera sits over a color frame of w by h pixels: mirrored by the
// splitter, turned by 0.7 degrees, framed 3.5 % wider so that it sees all that the color camera
// sees, a little beside and above, with mild keystone and 0.4 % of distortion at the corner.
func Geometry(w, h int) align.Geometry {
	g := align.Identity(w, h)
	const angle, scale = 0.7 * math.Pi / 180, 0.965
	cx, cy := float64(w-1)/2, float64(h-1)/2
	c, s := scale*math.Cos(angle), scale*math.Sin(angle)
	shiftX, shiftY := 0.006*float64(w), -0.002*float64(w)
	g.Homography = [9]float64{
		c, -s, cx - c*cx + s*cy + shiftX,
		s, c, cy - s*cx - c*cy + shiftY,
		0.004 / float64(w), -0.002 / float64(w), 1,
	}
	g.Mirror = true
	g.Radial = [2]float64{-0.004, 0}
	return g
}
