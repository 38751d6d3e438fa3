package align

import (
	"fmt"
	"math"
	"strings"
	"testing"
)

// The pieces of edge lie where the geometry puts them, to what Residual says, and within both plates.
func TestPieces(t *testing.T) {
	g := mirrored(moved(320, 180, 6, -4))
	e, err := FromFootage(t.Context(), cutoutPairs(g, plainFaults, 2, 2), nil)
	if err != nil {
		t.Fatal(err)
	}
	if len(e.Pieces) < 60 {
		t.Fatalf("%d pieces", len(e.Pieces))
	}
	square, x := 0.0, 0.0
	for _, p := range e.Pieces {
		bx, by := e.Geometry.Map(p.Color[0], p.Color[1])
		d := math.Hypot(p.Band[0]-bx, p.Band[1]-by)
		square, x = square+d*d, x+p.Band[0]-bx
		if p.Color[0] < 0 || p.Color[0] > 319 || p.Color[1] < 0 || p.Color[1] > 179 || d > 5 {
			t.Errorf("%v, and the geometry has (%.1f, %.1f)", p, bx, by)
		}
	}
	n := float64(len(e.Pieces))
	// Not weighted, as Residual is.
	if rms := math.Sqrt(square / n); rms > 5*e.Residual || rms == 0 || math.Abs(x/n) > 0.1 {
		t.Errorf("%.3f px RMS over the pieces, the residual is %.3f; %.3f px in the mean along x", rms, e.Residual, x/n)
	}
	var chosen bool
	for i, m := range e.Models {
		chosen = chosen || m.Model == e.Model
		if i > 0 && m.Parameters <= e.Models[i-1].Parameters {
			t.Errorf("the models are not in rising order: %v", e.Models)
		}
	}
	if why := e.Why(); !chosen || !strings.Contains(why, "Schwarz") {
		t.Errorf("%s of %v: %q", e.Model, e.Models, why)
	}
	if why := (&Estimate{Model: Affine}).Why(); why != "" {
		t.Errorf("nothing was compared: %q", why)
	}
}

func ExampleEstimate_Why() {
	e := Estimate{Model: Affine, Models: []ModelFit{{Shift, 2, 6120}, {Similarity, 4, 5980}, {Affine, 6, 5211}, {Homography, 8, 5219}, {Radial, 9, 5224}}}
	fmt.Println(e.Why())
	// Output: it has the least of Schwarz's criterion; simpler ones are worse (shift by 909, similarity by 769); richer ones fit no better for their parameters (homography by 8, radial by 13)
}
