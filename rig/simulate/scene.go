// Package simulate makes takes of which the truth is known to the last pixel.
//
// A Scene draws a performer: light and transmission, before any lens. A Simulator looks at a scene
// with two cameras through a beam splitter, with as many of a real set's Faults as are asked for,
// and gives the plates together with the truth. Pier is the demo's scene; Cutouts is a plain one for
// tests.
package simulate

import (
	"example.com/twinplate/internal/scene"
	"example.com/twinplate/plate"
)

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

// Pier is the demo's scene: a ferry hand at night, coiling a wet rope by the light of a swinging
// lantern. The seed changes the patches of the coat, the strands of hair and the wind.
type Pier struct {
	Seed   uint64
	Frames int // of the take, over which the hand takes one step; 0: 48
}

// Draw implements Scene.
func (p Pier) Draw(i, w, h int) (*plate.RGB, *plate.Gray) {
	frames := 48
	if p.Frames > 0 {
		frames = p.Frames
	}
	return scene.Pier(uint32(hash(p.Seed, 4)), frames, i, w, h)
}

// Background returns frame i of the background plate: a kelp forest under the sea, in linear light.
func (p Pier) Background(i, w, h int) *plate.RGB {
	return scene.Kelp(uint32(hash(p.Seed, 5)), i, w, h)
}

// Cutouts is a plain scene that is quick to draw: textured discs, turning bars, thin wires and a
// soft puff, spread over the frame and moving, so that every place is covered in some frames and
// open in others. The seed changes the places and the colors.
type Cutouts struct {
	Seed uint64
}

// Draw implements Scene.
func (s Cutouts) Draw(i, w, h int) (*plate.RGB, *plate.Gray) {
	return scene.Cutouts(uint32(hash(s.Seed, 3)), i, w, h)
}

// stretch maps one frame over another, edge to edge.
type stretch struct{ sx, sy float64 }

func (s stretch) Map(x, y float64) (bx, by float64) {
	return (x+0.5)*s.sx - 0.5, (y+0.5)*s.sy - 0.5
}

func (s stretch) Inverse(bx, by float64) (x, y float64) {
	return (bx+0.5)/s.sx - 0.5, (by+0.5)/s.sy - 0.5
}
