package take_test

import (
	"context"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"example.com/twinplate/composite"
	"example.com/twinplate/plate"
	"example.com/twinplate/take"
)

// graded is the take of partial with a grade for each.
func graded(t *testing.T) take.Recipe {
	r := partial(t)
	saturation := 0.5
	r.ForegroundGrade = composite.Grade{Exposure: 1, Contrast: 1.2, Black: 0.01}
	r.BackgroundGrade = composite.Grade{Exposure: -1, Saturation: &saturation}
	return r
}

// Grades act on the light of both before the sum, never on the matte, and on the foreground product
// as on the composite.
func TestGradesInARun(t *testing.T) {
	plain, _, _ := result(t, partial(t))
	r := graded(t)
	got, _, job := result(t, r)
	if !slices.Equal(got.Transmission.Pix, plain.Transmission.Pix) {
		t.Error("the matte has changed")
	}
	grader, err := composite.NewGrader(r.ForegroundGrade)
	if err != nil {
		t.Fatal(err)
	}
	coat := [3][]float32{{0.5}, {0.5}, {0.5}}
	grader.Row(coat)
	at := func(f *plate.RGB, x, c int) float64 { return float64(f.Pix[c][27*96+x]) }
	if d := at(got.Comp, 48, 1) - float64(coat[1][0]); math.Abs(d) > 0.01 {
		t.Errorf("the performer is %v, want %v", at(got.Comp, 48, 1), coat[1][0])
	}
	// The sea of 0.1, 0.2, 0.4, a stop darker and half as colored, by the luma of BT.709.
	luma := 0.5 * (0.2126*0.1 + 0.7152*0.2 + 0.0722*0.4)
	for c, v := range []float64{0.05, 0.1, 0.2} {
		if want := luma + 0.5*(v-luma); math.Abs(at(got.Comp, 25, c)-want) > 1e-4 {
			t.Errorf("the sea's channel %d is %v, want %v", c, at(got.Comp, 25, c), want)
		}
	}
	if notes := strings.Join(job.Notes, "\n"); !strings.Contains(notes, "what is palest in the performer is red 1.00, green 1.00, blue 1.00") {
		t.Errorf("notes: %s", notes)
	}
}

// Whoever asks for it, and by whatever way it is made, a graded composite is the same to the bit;
// and it comes back from the recipe that a run saves.
func TestGradedRowsArePlanes(t *testing.T) {
	r := graded(t)
	r.Beyond = "keep" // nothing needs planes, so rows are streamed
	want, _, job := result(t, r)
	scrubber := job.NewScrubber()
	comp := plate.NewRGB(96, 54)
	copyRow := func(y int, row [3][]float32) {
		for c := range 3 {
			copy(comp.Pix[c][y*96:], row[c])
		}
	}
	compare := func(what string, got *plate.RGB) {
		t.Helper()
		for c := range 3 {
			for i, v := range got.Pix[c] {
				if v != want.Comp.Pix[c][i] {
					t.Fatalf("%s: channel %d of pixel %d is %v, want %v", what, c, i, v, want.Comp.Pix[c][i])
				}
			}
		}
	}
	if err := scrubber.Sum(want.Number, false, copyRow); err != nil {
		t.Fatal(err)
	}
	compare("by rows", comp)
	frame, err := scrubber.Frame(want.Number, nil)
	if err != nil {
		t.Fatal(err)
	}
	compare("by planes", frame.Comp)

	path := filepath.Join(t.TempDir(), "graded.json")
	if err := job.Recipe(nil).Save(path); err != nil {
		t.Fatal(err)
	}
	again, err := take.ReadRecipe(path)
	if err != nil {
		t.Fatal(err)
	}
	got, _, _ := result(t, again)
	compare("from the saved recipe", got.Comp)
}

// A gray card's balance is found, told and saved; a card that is nowhere is refused.
func TestGrayCard(t *testing.T) {
	r := partial(t)
	r.ForegroundGrade.Matrix = &[9]float64{1.2, 0, 0, 0, 1, 0, 0, 0, 0.5}
	r.ForegroundGrade.GrayCard = &composite.Card{Left: 0.45, Top: 0.2, Right: 0.55, Bottom: 0.8}
	got, _, job := result(t, r)
	pixel := [3]float32{got.Comp.Pix[0][27*96+48], got.Comp.Pix[1][27*96+48], got.Comp.Pix[2][27*96+48]}
	if math.Abs(float64(pixel[0]-pixel[1])) > 1e-3 || math.Abs(float64(pixel[2]-pixel[1])) > 1e-3 {
		t.Errorf("the card is %v, want gray", pixel)
	}
	saved := job.Recipe(nil).ForegroundGrade
	if saved.GrayCard != nil || saved.Balance == nil || math.Abs(saved.Balance[2]/saved.Balance[0]-2.4) > 0.01 {
		t.Errorf("saved: %+v", saved)
	}
	r.ForegroundGrade.GrayCard = &composite.Card{Frame: 99, Right: 0.1, Bottom: 0.1}
	opened, err := take.Open(r)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := opened.Prepare(context.Background()); err == nil || !strings.Contains(err.Error(), "frame 99") {
		t.Errorf("a card in frame 99: %v", err)
	}
	// In a background of several frames it is in the one that is behind the frame.
	r.ForegroundGrade = composite.Grade{}
	r.Background = filepath.Join(t.TempDir(), "waves")
	if err := os.Mkdir(r.Background, 0o777); err != nil {
		t.Fatal(err)
	}
	for n, light := range [][3]float32{{0.2, 0.2, 0.2}, {0.1, 0.2, 0.4}} {
		sea := plate.NewRGB(64, 36)
		sea.Fill(light[0], light[1], light[2])
		if err := plate.Write(filepath.Join(r.Background, fmt.Sprintf("%d.png", n+1)), sea, &plate.WriteOptions{Curve: plate.Linear}); err != nil {
			t.Fatal(err)
		}
	}
	start := 2
	r.BackgroundStart = &start
	for _, frame := range []int{0, 1} {
		r.BackgroundGrade.GrayCard = &composite.Card{Frame: frame, Left: 0.1, Top: 0.1, Right: 0.5, Bottom: 0.5}
		if b := prepare(t, r).Recipe(nil).BackgroundGrade.Balance; b == nil || math.Abs(b[0]/b[2]-4) > 0.01 {
			t.Errorf("the background's card in frame %d: balance %v, want four times as much red as blue", frame, b)
		}
	}
	r.BackgroundGrade.GrayCard.Frame = 99
	if opened, err = take.Open(r); err != nil {
		t.Fatal(err)
	}
	if _, err := opened.Prepare(context.Background()); err == nil || !strings.Contains(err.Error(), "background_grade: the gray card is in frame 99") {
		t.Errorf("the background's card in frame 99: %v", err)
	}
	r.BackgroundGrade = composite.Grade{}
	r.ForegroundGrade = composite.Grade{Exposure: 99}
	if _, err := take.Open(r); err == nil || !strings.Contains(err.Error(), "foreground_grade: composite: the grade's exposure is 99") {
		t.Errorf("an exposure of 99: %v", err)
	}
}
