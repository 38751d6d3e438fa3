package matte_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"example.com/twinplate/matte"
	"example.com/twinplate/plate"
)

// besides returns the light of a set in the band camera: a screen between left and right that falls off
// toward its corners, with a stand before it, on a wall that is six stops darker, and a lamp's
// reflection on that.
func besides(w, h, left, right int, noise float64, dice *rand.Rand) *plate.Gray {
	f := plate.NewGray(w, h)
	for y := range h {
		for x := range w {
			v := 0.0125
			if x >= left && x < right {
				d := (float64(x)/float64(w)-0.5)*(float64(x)/float64(w)-0.5) + (float64(y)/float64(h)-0.5)*(float64(y)/float64(h)-0.5)
				v = 0.8 * (1 - 1.2*d)
			}
			if x >= w/2 && x < w/2+w/40 && y > h/2 {
				v = 0.01
			}
			if x > w-8 && y < 8 {
				v = 0.5
			}
			f.Pix[y*w+x] = float32(v + noise*dice.NormFloat64())
		}
	}
	return f
}

// The screen's place comes back to a few pixels, whatever the noise: stand and wall are beyond it, a
// reflection is no screen, and a screen all over the frame has no border.
func TestExtent(t *testing.T) {
	const w, h = 320, 180
	for _, row := range []struct {
		left, right int
		noise       float64
	}{{64, 256, 0.001}, {64, 256, 0.01}, {32, 300, 0.02}, {100, 220, 0.005}} {
		dice := rand.New(rand.NewPCG(1, uint64(row.left)))
		solver, err := matte.NewSolver(w, h, matte.References{CleanBand: besides(w, h, row.left, row.right, row.noise/4, dice)}, nil)
		if err != nil {
			t.Fatal(err)
		}
		e, err := solver.Extent([]matte.Sample{{Band: besides(w, h, row.left, row.right, row.noise, dice)}})
		if err != nil || e == nil {
			t.Fatalf("%+v: %v, %v", row, e, err)
		}
		for y := range h {
			for x := range w {
				got := e.Inside.Pix[y*w+x]
				stand := x >= w/2-9 && x < w/2+w/40+9 && y > h/2-9
				switch {
				case got < 0 || got > 1:
					t.Fatalf("%+v: %v at %d, %d", row, got, x, y)
				case x < row.left-2 || x >= row.right+2 || x >= w/2 && x < w/2+w/40 && y > h/2:
					if got > 0.02 {
						t.Fatalf("%+v: %v at %d, %d, which is beyond the screen", row, got, x, y)
					}
				case x > row.left+8 && x < row.right-8 && !stand:
					if got < 0.9 { // in its darkest corner the most noise is a 16th of the light
						t.Fatalf("%+v: %v at %d, %d, which is screen", row, got, x, y)
					}
				}
			}
		}
		want := float64(row.right-row.left) / w
		if !(math.Abs(e.Part-want) < 0.09) {
			t.Errorf("%+v: %.2f of the frame, want %.2f less the stand and the border", row, e.Part, want)
		}
		// A performer in the middle crosses no border, one over the left third of the frame does.
		solid := plate.NewGray(w, h)
		solid.Fill(1)
		if got := e.Crossed(solid); got != 0 {
			t.Errorf("%+v: an empty screen is crossed by %v", row, got)
		}
		for y := h / 2; y < h; y++ {
			clear(solid.Pix[y*w : y*w+w/2])
		}
		if got := e.Crossed(solid); !(got > 0.1 && got < 0.6) {
			t.Errorf("%+v: a performer at the left border crosses %v of it", row, got)
		}
		s := &matte.Solution{Transmission: plate.NewGray(w, h), Foreground: plate.NewRGB(w, h)}
		s.Foreground.Fill(0.5, 0.5, 0.5)
		if err := e.Beyond(s); err != nil {
			t.Fatal(err)
		}
		if i := 40*w + 2; s.Transmission.Pix[i] != 1 || s.Foreground.Pix[1][i] != 0 {
			t.Errorf("%+v: beyond the screen the transmission is %v and the foreground %v", row, s.Transmission.Pix[i], s.Foreground.Pix[1][i])
		}
		if i := 40*w + w/2; s.Transmission.Pix[i] != 0 || s.Foreground.Pix[1][i] != 0.5 {
			t.Errorf("%+v: on the screen the transmission became %v and the foreground %v", row, s.Transmission.Pix[i], s.Foreground.Pix[1][i])
		}
	}
	clean := plate.NewGray(w, h)
	clean.Fill(0.7)
	solver, err := matte.NewSolver(w, h, matte.References{CleanBand: clean}, nil)
	if err != nil {
		t.Fatal(err)
	}
	if e, err := solver.Extent([]matte.Sample{{Band: clean}}); e != nil || err != nil || e.Crossed(clean) != 0 || e.Beyond(nil) != nil {
		t.Errorf("a screen all over the frame: %v, %v", e, err)
	}
	if _, err := solver.Extent(nil); err == nil {
		t.Error("no frame is no error")
	}
}

// What a set beside the screen leaves of the frame.
func ExampleSolver_Extent() {
	clean := besides(320, 180, 64, 256, 0, rand.New(rand.NewPCG(1, 1)))
	solver, err := matte.NewSolver(320, 180, matte.References{CleanBand: clean}, nil)
	if err != nil {
		fmt.Println(err)
		return
	}
	e, err := solver.Extent([]matte.Sample{{Band: clean}})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("the screen covers %.0f %% of the frame\n", 100*e.Part)
	// Output: the screen covers 57 % of the frame
}

// A screen over part of a frame has its border where its edge is, drawn in by what Extent draws in;
// the frame's edges are none.
func TestExtentBorder(t *testing.T) {
	const w, h = 320, 180
	clean, color := plate.NewGray(w, h), plate.NewRGB(w, h)
	for y := range h {
		for x := range w {
			if clean.Pix[y*w+x] = 0.001; x >= 80 && x < 240 {
				clean.Pix[y*w+x] = 0.8
			}
		}
	}
	solver, err := matte.NewSolver(w, h, matte.References{CleanBand: clean}, nil)
	if err != nil {
		t.Fatal(err)
	}
	e, err := solver.Extent([]matte.Sample{{Color: color, Band: clean}})
	if err != nil {
		t.Fatal(err)
	}
	lines := e.Border()
	length := 0.
	for _, l := range lines {
		length += math.Hypot((l[2]-l[0])*w, (l[3]-l[1])*h)
		for _, x := range []float64{l[0] * w, l[2] * w} {
			if d := math.Min(math.Abs(x-83), math.Abs(x-237)); d > 2.5 {
				t.Fatalf("a line at %v, want 83 or 237", x)
			}
		}
	}
	if math.Abs(length-2*(h-1)) > 4 {
		t.Errorf("the lines are %.1f pixels long, want two of %d", length, h-1)
	}
	if (*matte.Extent)(nil).Border() != nil {
		t.Error("no extent has a border")
	}
}

// The border of a screen that ends, to draw.
func ExampleExtent_Border() {
	inside := plate.NewGray(4, 2)
	copy(inside.Pix, []float32{1, 1, 0, 0, 1, 1, 0, 0})
	for _, line := range (&matte.Extent{Inside: inside}).Border() {
		fmt.Printf("%.2f\n", line)
	}
	// Output: [0.50 0.25 0.50 0.75]
}

// Without a clean band plate the border is found in the frames: at both sides and above, through a
// performer who stands there in one of them, and not below; a performer who is at the frame's edge
// where the screen reaches it is not cut off.
func TestExtentFromFrames(t *testing.T) {
	const w, h = 320, 180
	model := plate.NewGray(w, h)
	model.Fill(0.8)
	solver, err := matte.NewSolver(w, h, matte.References{CleanBand: model}, nil)
	if err != nil {
		t.Fatal(err)
	}
	// frame has a screen from left to right and from top on, a performer, and a lamp on the wall.
	frame := func(left, right, top int, x0, x1, y0 int) matte.Sample {
		dice := rand.New(rand.NewPCG(3, uint64(x0)))
		f := plate.NewGray(w, h)
		for y := range h {
			for x := range w {
				v := 0.01
				if x >= left+y/40 && x < right && y >= top {
					v = 0.8
				}
				if x >= x0 && x < x1 && y >= y0 {
					v = 0.002
				}
				if x > w-8 && y > 60 && y < 70 {
					v = 0.9
				}
				f.Pix[y*w+x] = float32(v + 0.002*dice.NormFloat64())
			}
		}
		return matte.Sample{Band: f}
	}
	for _, row := range []struct {
		what             string
		left, right, top int
		at               [][3]int // the performer in each frame: from, to, and below
	}{
		{"a performer in the middle", 60, 250, 20, [][3]int{{120, 180, 60}}},
		{"a performer at the border", 60, 250, 20, [][3]int{{40, 120, 90}, {120, 180, 60}}},
		{"a bust over all of the lower edge", 60, 250, 20, [][3]int{{0, 320, 110}}},
		{"a screen all over the frame, and a performer in its corner", 0, 320, 0, [][3]int{{0, 130, 60}, {0, 90, 50}}},
	} {
		var frames []matte.Sample
		for _, p := range row.at {
			frames = append(frames, frame(row.left, row.right, row.top, p[0], p[1], p[2]))
		}
		e, err := solver.ExtentFromFrames(frames)
		if err != nil {
			t.Fatal(err)
		}
		if row.left == 0 {
			if e != nil {
				t.Errorf("%s: it covers %v of the frame", row.what, e.Part)
			}
			continue
		}
		if e == nil {
			t.Fatalf("%s: no border", row.what)
		}
		const near = 8 // pixels: it is soft, and drawn in
		for y := range h {
			for x := range w {
				got := e.Inside.Pix[y*w+x]
				in := x >= row.left+y/40+near && x < row.right-near && y >= row.top+near
				out := x < row.left+y/40-near || x >= row.right+near || y < row.top-near
				if in && got < 0.99 || out && got > 0.01 {
					t.Fatalf("%s: %v at %d, %d", row.what, got, x, y)
				}
			}
		}
	}
}

func ExampleSolver_ExtentFromFrames() {
	model, band := plate.NewGray(64, 36), plate.NewGray(64, 36)
	model.Fill(0.8)
	for i := range band.Pix {
		if x := i % 64; x >= 16 {
			band.Pix[i] = 0.8
		}
	}
	solver, err := matte.NewSolver(64, 36, matte.References{CleanBand: model}, nil)
	if err != nil {
		fmt.Println(err)
		return
	}
	e, err := solver.ExtentFromFrames([]matte.Sample{{Band: band}})
	fmt.Printf("%.2f of the frame, %v\n", e.Part, err)
	// Output: 0.70 of the frame, <nil>
}
