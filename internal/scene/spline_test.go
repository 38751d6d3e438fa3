package scene

import (
	"math"
	"math/rand/v2"
	"testing"
)

// The boxes of a polygon's sides change nothing of what its definition gives: the distance to the
// nearest side, and the parity of the sides to the right.
func TestInside(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for _, n := range []int{3, 7, 13, 24} {
		corners := make([]point, n)
		for i := range corners {
			turn := 2 * math.Pi * float64(i) / float64(n)
			far := 0.2 + 0.3*r.Float64()
			corners[i] = point{0.5 + far*math.Cos(turn), 0.5 + far*math.Sin(turn)}
		}
		for _, p := range [][]point{corners, outline(corners, 5), outline(corners, 7)} {
			distance := inside(p)
			within := 0
			for range 5000 {
				x, y := 1.4*r.Float64()-0.2, 1.4*r.Float64()-0.2
				if r.IntN(10) == 0 {
					y = p[r.IntN(len(p))].y
				}
				least, odd := math.Inf(1), false
				for i, a := range p {
					b := p[(i+len(p)-1)%len(p)]
					ex, ey := b.x-a.x, b.y-a.y
					along := clamp(((x-a.x)*ex + (y-a.y)*ey) / (ex*ex + ey*ey))
					least = min(least, math.Hypot(x-a.x-along*ex, y-a.y-along*ey))
					if (a.y > y) != (b.y > y) && x < a.x+ex*(y-a.y)/ey {
						odd = !odd
					}
				}
				if odd {
					within++
					least = -least
				}
				if got := distance(x, y); math.Abs(got-least) > 1e-12 {
					t.Fatalf("%d sides: (%v, %v) is at %v, want %v", len(p), x, y, got, least)
				}
			}
			if within < 300 || within > 4500 {
				t.Errorf("%d sides: %d of 5000 places are inside", len(p), within)
			}
		}
	}
}
