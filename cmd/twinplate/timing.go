package main

import (
	"fmt"

	"example.com/twinplate/take"
)

// timingReport is how the frames were paired in time, as the commands' JSON has it.
type timingReport struct {
	Offset   int           `json:"offset"`          // color frame n is paired with band frame n+offset
	From     string        `json:"from"`            // number, time code, the given offset, sound, or motion
	Timecode *int          `json:"timecode_offset"` // null where there is no time code
	Motion   *motionReport `json:"motion"`          // null where it was not looked at, or decides nothing
	Unsure   string        `json:"unsure"`          // why it decides nothing
	Sound    *soundReport  `json:"sound"`           // null where the offset is not from the cameras' sound
}

type soundReport struct {
	Late       float64 `json:"late"`       // by how much the band frames are late besides, in frames
	Sigma      float64 `json:"late_sigma"` // standard error of that
	Drift      float64 `json:"drift"`      // the part by which the band camera's clock is fast; 0 where it cannot be told
	DriftSigma float64 `json:"drift_sigma"`
}

type motionReport struct {
	Offset   int     `json:"offset"`     // what the motion asks for
	Fraction float64 `json:"late"`       // by how much the band frames are late besides, in frames
	Sigma    float64 `json:"late_sigma"` // standard error of that
	InStep   bool    `json:"in_step"`
	Match    float64 `json:"match"` // how much of the motion agrees, 0 to 1
	Rival    float64 `json:"rival"` // the same at the best other offset
}

func newTimingReport(t take.Timing) timingReport {
	r := timingReport{Offset: t.Offset, From: t.From, Timecode: t.Timecode, Unsure: t.Unsure}
	if s := t.Sound; s != nil {
		r.Sound = &soundReport{s.Late, s.Sigma, s.Drift, s.DriftSigma}
	}
	if e := t.Motion; e != nil {
		r.Motion = &motionReport{t.Fits(), e.Fraction, e.Sigma, e.InStep, e.Match, e.Rival}
	}
	return r
}

// printTiming prints how the frames were paired, what their motion says, and the warnings.
func printTiming(t *terminal, timing take.Timing) {
	of := "band frame n"
	if timing.Offset != 0 {
		of += fmt.Sprintf("%+d", timing.Offset)
	}
	t.printf("pairing      color frame n with %s, by %s", of, timing.From)
	switch {
	case timing.Motion == nil && timing.Unsure != "":
		t.printf("; the motion does not tell: %s", timing.Unsure)
	case timing.Motion != nil && timing.Motion.Frames == 0 && timing.Motion.InStep:
		t.printf("; the motion agrees, and the cameras run in step")
	case timing.Motion != nil && timing.Motion.Frames == 0:
		t.printf("; the motion agrees, to a fraction of a frame")
	}
	if s := timing.Sound; s != nil {
		t.printf("; by their sound the band frames are %.3f of a frame late (standard error %.3f)", s.Late, s.Sigma)
	}
	t.printf("\n")
	t.list("warning", timing.Warnings)
}
