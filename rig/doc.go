// Package rig holds the optics of a sodium-light set: the lamp's line, the planning of a shoot, and
// a simulated take of which the truth is known to the last pixel.
//
// A Setup describes a rig: screen, lamps, performer, set lights, beam splitter and both cameras
// with their filters. Its Plan says what the plates will be: the levels, the crosstalk m and K, the
// noise of the matte, what the angle of light does to the filters, and what to change.
//
// A Scene draws a performer: light and transmission, before any lens. A Simulator looks at a scene
// with two cameras through a beam splitter, with as many of a real set's faults as are asked for,
// and gives the plates together with the truth. Pier is the demo's scene; Cutouts is a plain one
// for tests.
package rig
