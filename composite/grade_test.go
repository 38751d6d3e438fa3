package composite

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"example.com/twinplate/plate"
)

func value[T any](v T) *T { return &v }

// exact is a Grade by its words, pixel by pixel in float64.
func exact(g Grade, v [3]float64) [3]float64 {
	c, _ := g.curve()
	if m := g.Matrix; m != nil {
		v = [3]float64{m[0]*v[0] + m[1]*v[1] + m[2]*v[2], m[3]*v[0] + m[4]*v[1] + m[5]*v[2], m[6]*v[0] + m[7]*v[1] + m[8]*v[2]}
	}
	for i := range v {
		if g.Balance != nil {
			v[i] *= g.Balance[i]
		}
		v[i] = c.FromLinear(v[i] * math.Exp2(g.Exposure))
	}
	primary := g.primary(c)
	v = primary.Pixel(v, false)
	if g.CDL != nil {
		v = g.CDL.Pixel(v, false)
	}
	for i := range v {
		v[i] = c.ToLinear(v[i])
	}
	return v
}

func someGrades() map[string]Grade {
	look := plate.CDL{Slope: [3]float64{1.1, 0.9, 1}, Offset: [3]float64{0.01, 0, -0.02}, Power: [3]float64{1.2, 1, 0.9}, Saturation: 1.2}
	return map[string]Grade{
		"nothing":               {},
		"exposure":              {Exposure: -1.5},
		"matrix and balance":    {Matrix: &[9]float64{1.1, -0.1, 0, 0.05, 0.9, 0.05, 0, -0.2, 1.2}, Balance: &[3]float64{1.2, 1, 0.8}},
		"contrast":              {Contrast: 1.4},
		"softer, in a log":      {In: "acescct", Contrast: 0.8, Saturation: value(0.7)},
		"black, and saturation": {Black: 0.02, Saturation: value(1.3)},
		"a CDL":                 {CDL: &look},
		"all, in a log":         {Matrix: &[9]float64{1.1, -0.1, 0, 0.05, 0.9, 0.05, 0, -0.2, 1.2}, Exposure: 0.5, In: "acescct", Contrast: 1.2, Black: 0.01, Saturation: value(0.9), CDL: &look},
		"gray":                  {Saturation: value(0.)},
	}
}

// The tables and the joined matrices give what the words say, for black, noise, highlights and
// light that no table reaches.
func TestGraderIsWhatItSays(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 8))
	for name, g := range someGrades() {
		grader, err := NewGrader(g)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		for i := range 4000 {
			var v [3]float64
			for c := range v {
				v[c] = float64(float32(math.Exp(-8 + 10*r.Float64())))
				if i%5 == 0 {
					v[c] = float64(float32(r.NormFloat64() * 0.01))
				}
			}
			switch i {
			case 0:
				v = [3]float64{}
			case 1:
				v = [3]float64{1e-9, 500, 1}
			}
			want := exact(g, v)
			row := [3][]float32{{float32(v[0])}, {float32(v[1])}, {float32(v[2])}}
			grader.Row(row)
			for c := range 3 {
				if math.Abs(want[c]) > 1e29 && row[c][0] > 1e29 && !math.IsInf(float64(row[c][0]), 0) {
					continue // no file has such light; it stays finite
				}
				if d := math.Abs(float64(row[c][0]) - want[c]); !(d <= 2e-5*math.Abs(want[c])+3e-6*(1+v[c])) {
					t.Errorf("%s: of %v channel %d is %v, want %v", name, v, c, row[c][0], want[c])
				}
			}
		}
	}
}

// What the simple numbers are for: contrast leaves the pivot, black becomes what is asked for,
// white stays, exposure is in stops.
func TestGradeByWords(t *testing.T) {
	for _, row := range []struct {
		name     string
		g        Grade
		in, want float64
	}{
		{"a stop", Grade{Exposure: 1}, 0.2, 0.4},
		{"contrast at the pivot", Grade{Contrast: 1.5}, 0.18, 0.18},
		{"contrast above it", Grade{Contrast: 2}, 0.36, 0.72},
		{"another pivot", Grade{Contrast: 2, Pivot: 0.36}, 0.36, 0.36},
		{"in a log too", Grade{Contrast: 1.5, In: "acescct"}, 0.18, 0.18},
		{"a stop above it in ACEScct, which is a log there, is 1.5 stops", Grade{Contrast: 1.5, In: "acescct"}, 0.36, 0.18 * math.Exp2(1.5)},
		{"black", Grade{Black: 0.02}, 0, 0.02},
		{"black with contrast", Grade{Black: 0.02, Contrast: 1.3}, 0, 0.02},
		{"black, below 0", Grade{Black: -0.02}, 0, -0.02},
		{"white stays", Grade{Black: 0.02}, 1, 1},
		{"black in a log", Grade{Black: 0.02, In: "acescct"}, 0, 0.02},
		{"white stays in a log", Grade{Black: 0.02, In: "acescct"}, 1, 1},
	} {
		grader, err := NewGrader(row.g)
		if err != nil {
			t.Fatal(err)
		}
		v := [3][]float32{{float32(row.in)}, {float32(row.in)}, {float32(row.in)}}
		grader.Row(v)
		if d := math.Abs(float64(v[1][0]) - row.want); !(d < 1e-5) {
			t.Errorf("%s: %v becomes %v, want %v", row.name, row.in, v[1][0], row.want)
		}
	}
}

// At an edge a graded foreground is the graded performer, in the proportion that there is of them;
// where there is nothing it is nothing; and light that hides nothing is not lost.
func TestGradeOfAnEdge(t *testing.T) {
	coat := [3]float64{0.3, 0.2, 0.05}
	for name, g := range someGrades() {
		grader, err := NewGrader(g)
		if err != nil {
			t.Fatal(err)
		}
		want := exact(g, coat)
		const n = 700
		f, tr := plate.NewRGB(n, 1), plate.NewGray(n, 1)
		for i := range n {
			alpha := float64(i) / (n - 1)
			tr.Pix[i] = float32(1 - alpha)
			for c := range 3 {
				f.Pix[c][i] = float32(alpha * coat[c])
			}
		}
		if err := grader.Foreground(f, tr); err != nil {
			t.Fatal(err)
		}
		for i := range n {
			alpha := float64(i) / (n - 1)
			for c := range 3 {
				got := float64(f.Pix[c][i])
				if alpha >= thinnest && math.Abs(got-alpha*want[c]) > 1e-5 || i == 0 && got != 0 {
					t.Fatalf("%s: at alpha %.3f channel %d is %v, want %v", name, alpha, c, got, alpha*want[c])
				}
			}
		}
		flame, open := plate.NewRGB(1, 1), plate.NewGray(1, 1)
		flame.Fill(0.5, 0.4, 0.1)
		open.Fill(1)
		if err := grader.Foreground(flame, open); err != nil {
			t.Fatal(err)
		}
		if got := flame.Pix[0][0]; !(got > 0.1 && got < 2) {
			t.Errorf("%s: a flame of 0.5 that hides nothing becomes %v", name, got)
		}
	}
}

// One CDL that does what the grade does, or a word about what it cannot.
func TestGradeAsCDL(t *testing.T) {
	look := plate.CDL{Slope: [3]float64{1.1, 0.9, 1}, Offset: [3]float64{0.01, 0, -0.02}, Power: [3]float64{1.2, 1, 0.9}, Saturation: 1.2}
	for name, row := range map[string]struct {
		g     Grade
		wrong string
	}{
		"simple":                  {Grade{Exposure: 0.5, Balance: &[3]float64{1.1, 1, 0.9}, Contrast: 1.2, Black: 0.01, Saturation: value(0.8)}, ""},
		"a CDL behind exposure":   {Grade{Exposure: 0.5, CDL: &look}, ""},
		"in a log":                {Grade{In: "acescct", Contrast: 1.2, Black: 0.01, CDL: &plate.CDL{Slope: [3]float64{1, 1.1, 1}, Power: [3]float64{1, 1.2, 1}, Saturation: 0.9}}, ""},
		"a matrix":                {Grade{Matrix: &[9]float64{1, 0, 0, 0, 1, 0, 0, 0, 1}}, "matrix"},
		"exposure in a log":       {Grade{In: "acescct", Exposure: 1}, "linear light"},
		"a CDL behind saturation": {Grade{Saturation: value(0.5), CDL: &look}, "no single CDL"},
	} {
		cdl, err := row.g.ToCDL()
		if row.wrong != "" {
			if err == nil || !strings.Contains(err.Error(), row.wrong) {
				t.Errorf("%s: %v, want an error about %q", name, err, row.wrong)
			}
			continue
		}
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		v := [3]float64{0.4, 0.2, 0.7}
		a, b := exact(row.g, v), exact(Grade{In: row.g.In, CDL: &cdl}, v)
		for c := range 3 {
			if math.Abs(a[c]-b[c]) > 1e-9 {
				t.Errorf("%s: %v, as one CDL %v", name, a, b)
			}
		}
	}
}

func TestGradeRefuses(t *testing.T) {
	for text, want := range map[string]string{
		`{"exposure": 30}`:              "exposure is 30",
		`{"contrast": -1}`:              "contrast is -1",
		`{"in": "logg"}`:                "unknown transfer curve",
		`{"balance": [1, 0, 1]}`:        "balance is 0",
		`{"black": 0.9}`:                "black is 0.9",
		`{"saturation": -1}`:            "saturation is -1",
		`{"cdl": {"power": [0, 1, 1]}}`: "power of red is 0",
		`{"gray_card": {"left": 0.5, "right": 0.4, "bottom": 1}}`: "the gray card is at",
		`{"matrix": [1e9, 0, 0, 0, 1, 0, 0, 0, 1]}`:               "matrix is 1e+09",
		`{"pivot": -1}`: "pivot is -1",
		`{"balance":[1,1,1],"gray_card":{"right":0.4,"bottom":1}}`:      "there can be one of them",
		`{"cdl": {"slope": [1, 1, 1]}, "saturation": 2, "pivot": 1e99}`: "pivot",
	} {
		var g Grade
		if err := json.Unmarshal([]byte(text), &g); err != nil {
			t.Fatal(err)
		}
		if err := g.Check(); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, want an error that says %q", text, err, want)
		}
	}
}

func BenchmarkGrade(b *testing.B) {
	for name, g := range someGrades() {
		b.Run(name, func(b *testing.B) {
			grader, err := NewGrader(g)
			if err != nil {
				b.Fatal(err)
			}
			f, t := plate.NewRGB(1920, 1080), plate.NewGray(1920, 1080)
			f.Fill(0.2, 0.3, 0.1)
			t.Fill(0.2)
			for b.Loop() {
				for y := range f.H {
					grader.Premultiplied(f.Row(y), t.Pix[y*f.W:(y+1)*f.W])
				}
			}
		})
	}
}
