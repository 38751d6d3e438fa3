package proof

import (
	"fmt"
	"slices"
	"strings"
)

// A Warning is something that the job or check says of a take, in the words that the user reads.
type Warning struct {
	From string `json:"from"` // job (with registration), border, timing, note, or check and the reading's name
	Text string `json:"text"`
}

// A Concern is a set of errors that a warning prepares the user for.
type Concern uint8

// The errors.
const (
	OfEdges Concern = 1 << iota // the geometry at the performer's edges
	OfFrame                     // the geometry far from them
	OfMatte                     // the matte
	OfSigma                     // the stated error of the matte, which may be too small
	OfSlack                     // the stated error of the matte, which may be too large
)

// Hearing is what counts as a warning of which errors: the first row whose From begins the
// warning's and whose Has is in its words decides. A note tells how the take was read, and is no
// warning unless its words make it one. A reading that is about how good the plates are, and not
// about whether the result is right, is none either.
var Hearing = []struct {
	From, Has string
	Of        Concern
}{
	{"job", "beyond noise", OfEdges | OfMatte | OfSigma},
	{"job", "larger than stated, or smaller", OfEdges | OfFrame | OfMatte | OfSigma | OfSlack},
	{"job", "larger than stated", OfSigma},
	{"job", "smaller than stated", OfSlack},
	{"job", "the performer's edges are only in", OfFrame},
	{"job", "the expected error reaches", OfFrame},
	{"job", "for a level of black", OfMatte},
	{"job", "", OfEdges | OfFrame | OfMatte},
	{"border", "", OfMatte},
	{"timing", "", OfEdges | OfFrame | OfMatte},

	{"note", "larger than stated", OfSigma},
	{"note", "smaller than stated", OfSlack},
	{"note", "noise could not be told", OfSigma},

	{"check files", "", OfEdges | OfFrame | OfMatte},
	{"check focus", "", OfEdges | OfMatte},
	{"check registration", "", OfEdges | OfFrame | OfMatte},
	{"check frame_offset", "", OfEdges | OfFrame | OfMatte},
	{"check spill", "", OfMatte},
	{"check band_clipped", "", OfMatte},
}

// Of returns the errors that the warning prepares for, by Hearing.
func (w Warning) Of() Concern {
	for _, row := range Hearing {
		if strings.HasPrefix(w.From, row.From) && strings.Contains(w.Text, row.Has) {
			return row.Of
		}
	}
	return 0
}

// Warned returns the errors that the take's warnings prepare for.
func (l *FootageLine) Warned() (of Concern) {
	for _, w := range l.Warnings {
		of |= w.Of()
	}
	return of
}

// A Outcome says how a take of another origin went.
type Outcome string

// The verdicts, from worst to best.
const (
	Panicked Outcome = "panic"
	Silent   Outcome = "silent" // badly wrong, and no warning says so
	Short    Outcome = "short"  // short of a target
	Right    Outcome = "good"
)

// The targets.
const (
	// A geometry that is off by more shows at any edge, and a matte with more than twice the
	// noise's error is not what the plates could give: neither may pass without a warning.
	silentPx    = 0.3
	silentMatte = 2.

	targetPx   = 0.05  // at the edges of takes that have what the geometry can be told from:
	targetLeak = 0.005 // m of this at least, and
	textureTo  = 0.02  // texture in the core that tells a displacement to this standard error, in pixels

	statedBy   = 2. // the true error is at most so many times the stated one
	zLow, zTop = 0.7, 1.5
)

// Textured reports whether the take has what the geometry can be told from whatever the light does
// at edges.
func (l *FootageLine) Textured() bool {
	return l.Edges >= 0 && !l.NeedNotWork() && l.Leak >= targetLeak && l.TextureBound <= textureTo
}

// NeedNotWork reports whether refusing the take is right: nobody is in it, or the plates are not
// what they are called. A warning serves as well, and then nothing is asked of the figures.
func (l *FootageLine) NeedNotWork() bool {
	return l.Performer == "none" || l.has("exchanged") || l.has("standin")
}

// Rolls reports whether the rows of one camera are late.
func (l *FootageLine) Rolls() bool { return l.has("rolling") }

// Within reports whether a take that Textured is true of keeps to the target at the edges.
func (l *FootageLine) Within() bool { return l.Edges <= targetPx }

// StatedCounts reports whether the stated error of the geometry is held to its target: it was
// estimated, from plates that are what they are called.
func (l *FootageLine) StatedCounts() bool { return l.Edges >= 0 && l.Stated >= 0 && !l.NeedNotWork() }

// StatedHolds reports whether the true error at the edges is within twice the stated one.
func (l *FootageLine) StatedHolds() bool { return l.Edges <= statedBy*l.Stated }

// SigmaCounts reports whether the stated sigma is held to its target: not through H.264 at crf 23,
// nor where nothing was measured, nor of wrong plates.
func (l *FootageLine) SigmaCounts() bool {
	return l.Codec != "h264-23" && l.OpenZ >= 0 && !l.NeedNotWork()
}

// SigmaHolds reports whether the matte's errors are those stated in open screen, core and edges, or
// a warning says that they are larger, or smaller.
func (l *FootageLine) SigmaHolds() bool {
	warned := l.Warned()
	return !slices.ContainsFunc([]float64{l.OpenZ, l.CoreZ, l.EdgeZ}, func(z float64) bool {
		return z >= 0 && (z < zLow && warned&OfSlack == 0 || z > zTop && warned&OfSigma == 0)
	})
}

// judge returns the verdict and what it is for.
func (l *FootageLine) judge() (Outcome, []string) {
	if l.Panic != "" {
		return Panicked, []string{l.Panic}
	}
	if l.Refused != "" {
		if l.NeedNotWork() {
			return Right, nil
		}
		return Short, []string{"refused: " + l.Refused}
	}
	warned := l.Warned()
	if l.NeedNotWork() && warned&OfMatte != 0 {
		return Right, nil
	}
	var why []string
	say := func(is bool, format string, args ...any) {
		if is {
			why = append(why, fmt.Sprintf(format, args...))
		}
	}
	say(l.has("exchanged") && warned&OfMatte == 0, "color and band are exchanged, and nothing says so")
	say(l.Edges > silentPx && warned&OfEdges == 0, "the geometry is %.2f px off at the edges, and nothing says so", l.Edges)
	say(l.Frame > silentPx && l.Frame > statedBy*l.StatedFrame && warned&(OfFrame|OfEdges) == 0, "the geometry is %.2f px off over the frame, stated %.2f, and nothing says so", l.Frame, l.StatedFrame)
	say(l.Matte > silentMatte && warned&OfMatte == 0, "the matte is %.1f times the floor, and nothing says so", l.Matte)
	say(l.MatteEdges > silentMatte && warned&OfMatte == 0, "the matte is %.1f times the floor at the edges, and nothing says so", l.MatteEdges)
	if len(why) > 0 {
		return Silent, why
	}
	say(l.Textured() && !l.Within(), "%.3f px off at the edges", l.Edges)
	say(l.StatedCounts() && !l.StatedHolds(), "%.3f px off at the edges, stated %.3f", l.Edges, l.Stated)
	say(l.SigmaCounts() && !l.SigmaHolds(), "z is %.2f in open screen, %.2f in the core, %.2f at the edges", l.OpenZ, l.CoreZ, l.EdgeZ)
	if len(why) > 0 {
		return Short, why
	}
	return Right, nil
}
