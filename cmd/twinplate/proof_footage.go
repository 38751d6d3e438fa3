package main

import (
	"errors"
	"fmt"

	"example.com/twinplate/internal/app/proof"
	"example.com/twinplate/internal/list"
)

// footageReport is what `proof --footage --json` prints.
type footageReport struct {
	Takes    []proof.FootageLine   `json:"takes"`
	Verdicts map[proof.Outcome]int `json:"verdicts"`
	Within   footageCounts         `json:"within"`
}

// A countOf says how many of the takes that a target is for keep to it.
type countOf struct {
	Kept int `json:"kept"`
	Of   int `json:"of"`
}

func (c *countOf) add(counts, kept bool) {
	if counts {
		c.Of++
		if kept {
			c.Kept++
		}
	}
}

func (c countOf) String() string { return fmt.Sprintf("%d of %d", c.Kept, c.Of) }

// footageCounts say how many takes keep to each target.
type footageCounts struct {
	Edges   countOf `json:"edges_0.05_px"`         // with texture in the core, m of 0.5 % or more, and no rolling shutter
	Rolling countOf `json:"edges_0.05_px_rolling"` // the same with one, of which a few frames do not tell the mean
	Stated  countOf `json:"stated_twofold"`        // the true error at the edges is within twice the stated one
	Sigma   countOf `json:"z_0.7_to_1.5"`          // or a warning that the error is larger than stated, or smaller
}

func (r *footageReport) add(l proof.FootageLine) {
	r.Takes = append(r.Takes, l)
	r.Verdicts[l.Verdict]++
	r.Within.Edges.add(l.Textured() && !l.Rolls(), l.Within())
	r.Within.Rolling.add(l.Textured() && l.Rolls(), l.Within())
	r.Within.Stated.add(l.StatedCounts(), l.StatedHolds())
	r.Within.Sigma.add(l.SigmaCounts(), l.SigmaHolds())
}

// footage does the job on takes that no code of this project's library drew.
func (c *proofCommand) footage(t *terminal) error {
	opt := &proof.FilmOptions{Script: c.Script, Frames: c.Frames}
	if c.Size != "" {
		var err error
		if opt.W, opt.H, err = size(c.Size); err != nil {
			return err
		}
	}
	if c.Frames < 0 || c.Frames > 64 {
		return usageError{fmt.Errorf("--frames %d: the script draws 1 to 64", c.Frames)}
	}
	r := footageReport{Verdicts: map[proof.Outcome]int{}}
	if !c.JSON {
		t.printf("%6s  %-86s  %6s %6s %5s %6s  %6s %6s  %5s %5s %5s  %5s  %4s  %s\n", "seed", "take", "edges", "stated", "ratio", "frame", "matte", "edges", "open", "core", "edge", "warns", "s", "verdict")
	}
	for _, take := range proof.FootageMatrix(*c.Takes, c.Seed, opt) {
		l, err := proof.Footage(t.ctx, take, opt)
		if err != nil {
			return err
		}
		r.add(l)
		if c.JSON {
			continue
		}
		told := list.Count(l.Warnings, func(w proof.Warning) bool { return w.Of() != 0 })
		ratio := -1.
		if l.Edges >= 0 && l.Stated > 0 {
			ratio = l.Edges / l.Stated
		}
		t.printf("%6d  %-86s  %6s %6s %5s %6s  %6s %6s  %5s %5s %5s  %5d  %4.0f  %s\n", l.Seed, l.FootageTake, known(l.Edges, 3), known(l.Stated, 3), known(ratio, 1), known(l.Frame, 2),
			known(l.Matte, 2), known(l.MatteEdges, 2), known(l.OpenZ, 2), known(l.CoreZ, 2), known(l.EdgeZ, 2), told, l.Seconds, l.Verdict)
		for _, why := range l.Why {
			t.printf("        %s\n", why)
		}
	}
	if c.JSON {
		if err := t.object(r); err != nil {
			return err
		}
	} else {
		v, w := r.Verdicts, r.Within
		t.printf("\nof %d takes: %d panic (target 0), %d silent (target 0), %d short, %d good\n", *c.Takes, v[proof.Panicked], v[proof.Silent], v[proof.Short], v[proof.Right])
		t.printf("within 0.05 px at the edges, with texture in the core and m of 0.5 %% or more: %v (target 19 of 20); %v with a rolling shutter\n", w.Edges, w.Rolling)
		t.printf("true error at the edges within twice the stated one: %v (target 19 of 20)\n", w.Stated)
		t.printf("z from 0.7 to 1.5 in open screen, core and edges, or a warning that the error is larger, or smaller: %v (target all)\n", w.Sigma)
	}
	if r.Verdicts[proof.Panicked]+r.Verdicts[proof.Silent] > 0 {
		return errors.New("a take panicked, or is wrong without a warning")
	}
	return nil
}

// known prints a number with so many decimals, or a dash where it is -1: unknown.
func known(v float64, decimals int) string {
	if v < 0 {
		return "-"
	}
	return fmt.Sprintf("%.*f", decimals, v)
}
