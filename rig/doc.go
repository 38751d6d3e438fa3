// Package rig holds the optics of a sodium-light set: the lamp's line and the planning of a shoot.
//
// A Setup describes a rig: screen, lamps, performer, set lights, beam splitter and both cameras
// with their filters. Its Plan says what the plates will be: the levels, the crosstalk m and K, the
// noise of the matte, what the angle of light does to the filters, and what to change.
//
// Package simulate, below it, makes takes of which the truth is known to the last pixel; a Plan has
// the cameras of its rig there.
package rig
