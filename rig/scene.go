package rig

import "example.com/twinplate/plate"

// A Scene is a performer in front of a screen, in linear scene-referred light.
type Scene interface {
	// Draw returns frame i at w by h pixels: the performer's premultiplied color p, and the
	// transmission t (1 where the screen is fully visible, 0 where it is hidden). Both are sharp:
	// no lens has seen them. The content is the same at any size, and the same at every call.
	Draw(i, w, h int) (p *plate.RGB, t *plate.Gray)
}

// A Mapping takes pixels of the color plate to pixels of the band plate, and back. Pixel centers
// are at whole numbers: the center of the top left pixel is (0, 0). align.Geometry is one.
type Mapping interface {
	Map(x, y float64) (bx, by float64)
	Inverse(bx, by float64) (x, y float64)
}

// stretch maps one frame over another, edge to edge.
type stretch struct{ sx, sy float64 }

func (s stretch) Map(x, y float64) (bx, by float64) {
	return (x+0.5)*s.sx - 0.5, (y+0.5)*s.sy - 0.5
}

func (s stretch) Inverse(bx, by float64) (x, y float64) {
	return (bx+0.5)/s.sx - 0.5, (by+0.5)/s.sy - 0.5
}
