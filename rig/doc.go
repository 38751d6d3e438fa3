// Package rig holds the optics of a sodium-light set: the lamp's line, and a simulated take of which the truth
// is known to the last pixel.
//
// A Scene draws a performer: light and transmission, before any lens. A Simulator looks at a scene with two
// cameras through a beam splitter, with as many of a real set's faults as are asked for, and gives the plates
// together with the truth. Pier is the demo's scene; Cutouts is a plain one for tests.
package rig
