package align

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

// rigs are geometries that the tests share.
var rigs = []struct {
	name string
	g    Geometry
}{
	{"identity", Identity(640, 360)},
	{"a band plate of half the size", NewGeometry(640, 360, 320, 180)},
	{"mirrored", mirrored(Identity(640, 360))},
	{"a turn by 3 degrees, keystone", with(Identity(640, 360), [9]float64{0.9986, -0.0523, 12.5, 0.0523, 0.9986, -8.25, 2e-5, -1e-5, 1}, 0, 0)},
	{"barrel", with(Identity(1920, 1080), [9]float64{1, 0, 0, 0, 1, 0, 0, 0, 1}, -0.05, 0.01)},
	{"pincushion, mirrored, keystone, another size", mirrored(with(NewGeometry(1920, 1080, 1280, 720), [9]float64{0.68, 0.01, -20, -0.01, 0.66, 14, 1e-5, 2e-5, 1}, 0.1, -0.02))},
}

func mirrored(g Geometry) Geometry { g.Mirror = true; return g }

func with(g Geometry, h [9]float64, k1, k2 float64) Geometry {
	g.Homography, g.Radial = h, [2]float64{k1, k2}
	return g
}

func TestMapInverse(t *testing.T) {
	for _, row := range rigs {
		r := rand.New(rand.NewPCG(1, 2))
		for range 1000 {
			x, y := r.Float64()*float64(row.g.ColorW-1), r.Float64()*float64(row.g.ColorH-1)
			bx, by := row.g.Map(x, y)
			x1, y1 := row.g.Inverse(bx, by)
			if d := math.Hypot(x1-x, y1-y); !(d < 1e-9) {
				t.Fatalf("%s: (%v, %v) goes to (%v, %v) and comes back %g pixels off", row.name, x, y, bx, by, d)
			}
		}
	}
}

func TestMap(t *testing.T) {
	for _, row := range []struct {
		name         string
		g            Geometry
		x, y, bx, by float64
	}{
		// Own arithmetic from the definition on Geometry.
		{"identity", Identity(100, 50), 3, 4, 3, 4},
		{"half the size: the frame's edge, half a pixel outside, stays the edge", NewGeometry(100, 50, 50, 25), -0.5, -0.5, -0.5, -0.5},
		{"half the size: the other edge", NewGeometry(100, 50, 50, 25), 99.5, 49.5, 49.5, 24.5},
		{"mirrored: the first column is the last", mirrored(Identity(100, 50)), 0, 7, 99, 7},
		{"mirrored after the homography: a move to the right appears as one to the left", mirrored(with(Identity(100, 50), [9]float64{1, 0, 5, 0, 1, 0, 0, 0, 1}, 0, 0)), 10, 7, 84, 7},
		{"radial: the corner of the frame's area, at radius 1, moves out by k1 + k2", with(Identity(300, 400), [9]float64{1, 0, 0, 0, 1, 0, 0, 0, 1}, 0.02, -0.01), -0.5, -0.5, -0.5 - 150*0.01, -0.5 - 200*0.01},
		{"perspective: (2x+1)/(x+1), (3y+1)/(x+1)", with(Identity(100, 50), [9]float64{2, 0, 1, 0, 3, 1, 1, 0, 1}, 0, 0), 1, 1, 1.5, 2},
	} {
		bx, by := row.g.Map(row.x, row.y)
		if math.Hypot(bx-row.bx, by-row.by) > 1e-12 {
			t.Errorf("%s: (%v, %v) goes to (%v, %v), want (%v, %v)", row.name, row.x, row.y, bx, by, row.bx, row.by)
		}
	}
}

func TestGeometryJSON(t *testing.T) {
	for _, row := range rigs {
		data, err := json.Marshal(row.g)
		if err != nil {
			t.Fatalf("%s: %v", row.name, err)
		}
		var g Geometry
		if err := json.Unmarshal(data, &g); err != nil || g != row.g {
			t.Errorf("%s: %s came back as %+v (%v), want %+v", row.name, data, g, err, row.g)
		}
	}
	const text = `{"color_size":[64,48],"band_size":[64,48],"mirror":true,"homography":[1,0,0,0,1,0,0,0,1],"radial":[0,0],"note":"by eye"}`
	var g Geometry
	if err := json.Unmarshal([]byte(text), &g); err != nil || g != mirrored(Identity(64, 48)) {
		t.Errorf("%s\ngave %+v (%v): the center left out is the middle, the note is passed over", text, g, err)
	}
}

func TestBadJSON(t *testing.T) {
	for _, row := range []struct{ name, text, want string }{
		{"nothing", `{}`, "at least 1x1"},
		{"a negative size", `{"color_size":[-4,4],"band_size":[4,4],"homography":[1,0,0,0,1,0,0,0,1]}`, "-4x4"},
		{"no homography", `{"color_size":[4,4],"band_size":[4,4]}`, "singular"},
		{"two equal rows", `{"color_size":[4,4],"band_size":[4,4],"homography":[1,2,3,1,2,3,0,0,1]}`, "singular"},
		{"the horizon crosses the frame", `{"color_size":[9,9],"band_size":[9,9],"homography":[1,0,0,0,1,0,-0.5,0,1]}`, "through infinity"},
		{"text where a number should be", `{"color_size":["a",4]}`, "cannot unmarshal"},
		{"cut short", `{"color_size":[4,4]`, "unexpected end"},
	} {
		g := Identity(7, 7)
		err := json.Unmarshal([]byte(row.text), &g)
		if err == nil || !strings.Contains(err.Error(), row.want) {
			t.Errorf("%s: the error is %v, want one with %q", row.name, err, row.want)
		}
		if g != Identity(7, 7) {
			t.Errorf("%s: the geometry was changed all the same", row.name)
		}
	}
	nan := Identity(4, 4)
	nan.Radial[1] = math.NaN()
	if err := nan.Check(); err == nil || !strings.Contains(err.Error(), "radial[1] is NaN") {
		t.Errorf("a radial term that is NaN: %v", err)
	}
}

func TestGrid(t *testing.T) {
	for _, row := range rigs {
		const n = 5
		grid := row.g.Grid(n)
		if len(grid) != n*n {
			t.Fatalf("%s: %d pairs, want %d", row.name, len(grid), n*n)
		}
		w, h := float64(row.g.ColorW-1), float64(row.g.ColorH-1)
		for i, want := range map[int][2]float64{0: {0, 0}, n - 1: {w, 0}, n*n - n: {0, h}, n*n - 1: {w, h}, n * n / 2: {w / 2, h / 2}} {
			if grid[i].Color != want {
				t.Errorf("%s: point %d is %v, want %v", row.name, i, grid[i].Color, want)
			}
		}
		for _, p := range grid {
			if x, y := row.g.Map(p.Color[0], p.Color[1]); [2]float64{x, y} != p.Band {
				t.Errorf("%s: %v is paired with %v, want (%v, %v)", row.name, p.Color, p.Band, x, y)
			}
		}
	}
	for _, n := range []int{-1, 0, 1} {
		if g := Identity(4, 4).Grid(n); g != nil {
			t.Errorf("Grid(%d) is %v, want nil", n, g)
		}
	}
	data, err := json.Marshal(Identity(3, 3).Grid(2)[1])
	if want := `{"color":[2,0],"band":[2,0]}`; err != nil || string(data) != want {
		t.Errorf("a pair as JSON is %s (%v), want %s", data, err, want)
	}
}

func TestRMS(t *testing.T) {
	a := Identity(101, 51)
	b := with(a, [9]float64{1, 0, 3, 0, 1, -4, 0, 0, 1}, 0, 0)
	if d := RMS(a, b); math.Abs(d-5) > 1e-12 {
		t.Errorf("moved by (3, -4): %v, want 5", d)
	}
	for _, row := range rigs {
		if d := RMS(row.g, row.g); d != 0 {
			t.Errorf("%s is %v from itself", row.name, d)
		}
	}
	// x flipped about 50: the distance is |100 - 2x|, whose mean square over 0 to 100 by 65 steps is
	// (100^2 / 3)(65 + 1)/(65 - 1): own arithmetic.
	if d, want := RMS(a, mirrored(a)), 100*math.Sqrt(66./64/3); math.Abs(d-want) > 1e-9 {
		t.Errorf("flipped: %v, want %v", d, want)
	}
}
