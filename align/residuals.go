package align

import (
	"fmt"
	"strings"
)

// A ModelFit is how well one model fitted the plates.
type ModelFit struct {
	Model      string `json:"model"`
	Parameters int    `json:"parameters"` // that were fitted for it, those of the performer's light included

	// Criterion is Schwarz's for errors of unknown size (Schwarz 1978): n log(chi-squared) for n
	// measurements, plus the number of parameters times log(n). The model with the least is the
	// best supported; 10 more is strong evidence against a model (Kass and Raftery 1995, table in
	// section 3.2, for twice the logarithm of a Bayes factor).
	Criterion float64 `json:"criterion"`
}

// Why says in plain words why the model was chosen.
func (e *Estimate) Why() string {
	var chosen *ModelFit
	for i := range e.Models {
		if m := &e.Models[i]; m.Model == e.Model && (chosen == nil || m.Criterion < chosen.Criterion) {
			chosen = m
		}
	}
	if chosen == nil {
		return ""
	}
	var simpler, richer []string
	for _, m := range e.Models {
		switch text := fmt.Sprintf("%s by %.0f", m.Model, m.Criterion-chosen.Criterion); {
		case m.Model == chosen.Model:
		case m.Parameters < chosen.Parameters:
			simpler = append(simpler, text)
		default:
			richer = append(richer, text)
		}
	}
	out := "it has the least of Schwarz's criterion"
	if len(simpler) > 0 {
		out += "; simpler ones are worse (" + strings.Join(simpler, ", ") + ")"
	}
	if len(richer) > 0 {
		out += "; richer ones fit no better for their parameters (" + strings.Join(richer, ", ") + ")"
	}
	return out
}

// pieces returns the pieces of edge that the fit used: where each is in the color plate, and where
// the band plate shows it. Along the edge, where nothing is known, the two agree.
func (f *fit) pieces() []PointPair {
	var list []PointPair
	for _, m := range f.last {
		e, cos, sin, info := m.across()
		if !m.used || m.texture || !(info > 0) {
			continue
		}
		e *= f.l.fb
		x, y := (m.x+0.5)*f.l.fc-0.5, (m.y+0.5)*f.l.fc-0.5
		bx, by := f.g.Map(x, y)
		dx, dy := f.l.displaced(m.frame, m.y)
		list = append(list, PointPair{[2]float64{x, y}, [2]float64{bx + dx*f.l.fb + cos*e, by + dy*f.l.fb + sin*e}})
	}
	return list
}
