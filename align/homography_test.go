package align

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

func TestFitHomography(t *testing.T) {
	for _, row := range []struct {
		name     string
		from, to [][2]float64
		want     [9]float64
	}{
		// Own arithmetic, from the definition in Hartley and Zisserman 2004, section 2.3:
		// x' = (h1 x + h2 y + h3)/(h7 x + h8 y + h9), and so for y'.
		{"the unit square onto itself", square(0, 0, 1, 1), square(0, 0, 1, 1), [9]float64{1, 0, 0, 0, 1, 0, 0, 0, 1}},
		{"the unit square moved and stretched", square(0, 0, 1, 1), square(5, 7, 2, 3), [9]float64{2, 0, 5, 0, 3, 7, 0, 0, 1}},
		{"the unit square onto a trapezoid", square(0, 0, 1, 1), [][2]float64{{1, 1}, {1.5, 0.5}, {1.5, 2}, {1, 4}}, [9]float64{2, 0, 1, 0, 3, 1, 1, 0, 1}},
		{"far from the origin, where without normalization it would fail", square(1e6, 1e6, 1, 1), square(0, 0, 1, 1), [9]float64{1, 0, -1e6, 0, 1, -1e6, 0, 0, 1}},
	} {
		h, err := FitHomography(row.from, row.to)
		if err != nil {
			t.Errorf("%s: %v", row.name, err)
			continue
		}
		for i := range h {
			if math.Abs(h[i]-row.want[i]) > 1e-9*math.Max(1, math.Abs(row.want[i])) {
				t.Errorf("%s: %v, want %v", row.name, h, row.want)
				break
			}
		}
	}
}

func square(x, y, w, h float64) [][2]float64 {
	return [][2]float64{{x, y}, {x + w, y}, {x + w, y + h}, {x, y + h}}
}

func TestFitHomographyMany(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	for range 50 {
		want := [9]float64{1 + 0.1*r.NormFloat64(), 0.1 * r.NormFloat64(), 50 * r.NormFloat64(), 0.1 * r.NormFloat64(), 1 + 0.1*r.NormFloat64(), 50 * r.NormFloat64(), 1e-5 * r.NormFloat64(), 1e-5 * r.NormFloat64(), 1}
		g := with(Identity(1920, 1080), want, 0, 0)
		var from, to [][2]float64
		for _, p := range g.Grid(6) {
			from, to = append(from, p.Color), append(to, p.Band)
		}
		h, err := FitHomography(from, to)
		if err != nil {
			t.Fatal(err)
		}
		if d := RMS(g, with(g, h, 0, 0)); d > 1e-8 {
			t.Errorf("36 exact points of %v come back %g pixels off", want, d)
		}
	}
}

func TestFitHomographyErrors(t *testing.T) {
	line := [][2]float64{{0, 0}, {1, 1}, {2, 2}, {5, 5}, {9, 9}}
	for _, row := range []struct {
		name     string
		from, to [][2]float64
		want     string
	}{
		{"none", nil, nil, "at least 4"},
		{"three", square(0, 0, 1, 1)[:3], square(0, 0, 1, 1)[:3], "at least 4"},
		{"four to three", square(0, 0, 1, 1), square(0, 0, 1, 1)[:3], "counterpart"},
		{"all in one place", [][2]float64{{1, 2}, {1, 2}, {1, 2}, {1, 2}}, square(0, 0, 1, 1), "all 4 points are at"},
		{"all on one line", line, line, "do not settle"},
		{"four, three of them on a line", [][2]float64{{0, 0}, {1, 0}, {2, 0}, {0, 1}}, [][2]float64{{0, 0}, {1, 0}, {2, 0}, {0, 1}}, "do not settle"},
		{"three on a line that shall not be", [][2]float64{{0, 0}, {1, 0}, {2, 0}, {0, 1}}, square(0, 0, 1, 1), "singular"},
		{"the same point twice", [][2]float64{{0, 0}, {0, 0}, {1, 0}, {0, 1}}, [][2]float64{{0, 0}, {0, 0}, {1, 0}, {0, 1}}, "do not settle"},
		{"not a number", [][2]float64{{0, 0}, {math.NaN(), 0}, {1, 0}, {0, 1}}, square(0, 0, 1, 1), "point 1 is (NaN, 0)"},
		{"the origin goes to infinity: 1/x", [][2]float64{{1, 1}, {2, 1}, {4, 2}, {1, 3}, {5, 4}}, [][2]float64{{1, 1}, {0.5, 0.5}, {0.25, 0.5}, {1, 3}, {0.2, 0.8}}, "origin"},
	} {
		h, err := FitHomography(row.from, row.to)
		if err == nil || !strings.Contains(err.Error(), row.want) {
			t.Errorf("%s: %v and the error %v, want one with %q", row.name, h, err, row.want)
		}
	}
}
