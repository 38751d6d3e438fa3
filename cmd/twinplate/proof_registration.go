package main

import (
	"cmp"
	"fmt"

	"example.com/twinplate/internal/app/proof"
)

// registrationReport is what `proof --registration --json` prints.
type registrationReport struct {
	Rigs   []proof.RegistrationLine `json:"rigs"`
	Within registrationCounts       `json:"within"`
}

// registrationCounts say how many rigs keep to each limit.
type registrationCounts struct {
	Edges  int     `json:"edges_0.10_px"`
	Warned int     `json:"others_warned"`     // of those that do not, how many came with a warning
	False  int     `json:"warned_needlessly"` // of those that do, how many came with one
	Bar    int     `json:"bar_95_percent"`    // the error bar holds at 95 % of the rig's points
	Points float64 `json:"points_3_sigma"`    // the part of all rigs' points at which it holds
	Chart  int     `json:"chart_0.03_px"`
	Offset int     `json:"offset"`
}

func (r *registrationReport) add(l proof.RegistrationLine) {
	r.Rigs = append(r.Rigs, l)
	w := &r.Within
	count := func(n *int, yes bool) {
		if yes {
			*n++
		}
	}
	good, warned := l.Edges >= 0 && l.Edges <= aimEdges, len(l.Warnings) > 0 || l.Edges < 0
	count(&w.Edges, good)
	count(&w.Warned, !good && warned)
	count(&w.False, good && warned)
	count(&w.Bar, l.Within >= aimBar)
	count(&w.Chart, l.Chart >= 0 && l.Chart <= aimChart)
	count(&w.Offset, l.Offset)
	w.Points += (l.Within - w.Points) / float64(len(r.Rigs))
}

func (c *proofCommand) registration(t *terminal) error {
	c.Size = cmp.Or(c.Size, "1920x1080")
	w, h, err := size(c.Size)
	if err != nil {
		return err
	}
	if c.Frames < 0 || c.Frames > 64 {
		return usageError{fmt.Errorf("--frames %d: a geometry is found from 1 to 64", c.Frames)}
	}
	var r registrationReport
	if !c.JSON {
		t.printf("%6s  %6s %6s %6s %8s  %-10s  %6s  %9s  %5s  %s\n", "seed", "edges", "stated", "frame", "3 sigma", "model", "chart", "offset", "s", "warned")
	}
	yes := map[bool]string{true: "yes", false: "no"}
	for i := range *c.Takes {
		l, err := proof.Registration(t.ctx, c.Seed+uint64(i), &proof.TakeOptions{W: w, H: h, Frames: c.Frames})
		if err != nil {
			return err
		}
		r.add(l)
		if c.JSON {
			continue
		}
		t.printf("%6d  %6.3f %6.3f %6.3f %7.1f%%  %-10s  %6.4f  %+4d %-4s  %5.1f  %s\n", l.Seed, l.Edges, l.Stated, l.Frame, 100*l.Within, l.Model, l.Chart, l.Late, yes[l.Offset], l.Seconds, yes[len(l.Warnings) > 0])
		if l.Failed != "" {
			t.printf("        %s\n", l.Failed)
		}
	}
	if c.JSON {
		return t.object(r)
	}
	n := r.Within
	t.printf("\nof %d rigs: at most 0.10 px at the performer's edges in %d, %d of the others warned of, %d needless warnings\n", *c.Takes, n.Edges, n.Warned, n.False)
	t.printf("error within three stated errors at %.1f %% of the points, at 95 %% or more of them in %d rigs\n", 100*n.Points, n.Bar)
	t.printf("chart at most 0.03 px in %d; offset right in %d\n", n.Chart, n.Offset)
	return nil
}
