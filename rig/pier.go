package rig

import "example.com/twinplate/plate"

// Pier is the demo's scene.
type Pier struct {
	Seed   uint64
	Frames int // of the take; 0: 48
}

// Draw implements Scene.
func (p Pier) Draw(i, w, h int) (*plate.RGB, *plate.Gray) {
	return Cutouts{Seed: p.Seed}.Draw(i, w, h)
}

// Background returns frame i of the background plate.
func (p Pier) Background(i, w, h int) *plate.RGB {
	return plate.NewRGB(w, h)
}
