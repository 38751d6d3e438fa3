package take

import (
	"encoding/json"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"

	"example.com/twinplate/align"
	"example.com/twinplate/matte"
)

// Whatever a recipe file holds, reading it gives a recipe that Check passes and that can be saved
// and read again to the same, or an error that names the file.
func FuzzReadRecipe(f *testing.F) {
	geometry := align.Identity(320, 180)
	full, err := json.Marshal(Recipe{Version: RecipeVersion, Color: "a/*.png", Band: "b", Background: "../c.png", ColorCurve: "x.csv", FPS: 29.97, Drop: true,
		TimecodeColor: "01:00:00;02", Offset: Given(-3), Frames: "1-9", Geometry: Given(geometry),
		Crosstalk: Given([3]float64{0.03, 0.02, 0.01}), Gain: Given(map[int]float64{3: 1.02}),
		BandWeights: &[3]float32{1, 0, 0}, Screen: &matte.Screen{W: 320, H: 180, Order: 1, Coefficients: []float64{0, 1, 2}},
		Glare: Given(matte.Glare{Strength: 0.01}), Write: Products, Format: "tiff", Depth: 8, Clamp: "all", CleanFrom: "screen"})
	if err != nil {
		f.Fatal(err)
	}
	for _, s := range []string{string(full), `{"version":1}`, `{"version":3,"later":0}`, `{"version":1,"gain":{"1":0}}`, `{"version":1,"geometry":"g.json","glare":"auto","offset":"auto"}`, `[]`, `{"version":1}{}`, `{"version":1,"version":2}`} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, file []byte) {
		path := filepath.Join(t.TempDir(), "take.json")
		if err := os.WriteFile(path, file, 0o666); err != nil {
			t.Fatal(err)
		}
		r, err := ReadRecipe(path)
		if err != nil {
			if !strings.HasPrefix(err.Error(), path+": ") {
				t.Fatalf("the error does not name the file: %v", err)
			}
			return
		}
		if err := r.Check(); err != nil {
			t.Fatal(err)
		}
		if err := r.Save(path); err != nil {
			t.Fatalf("what was read cannot be saved: %v", err)
		}
		again, err := ReadRecipe(path)
		if err != nil {
			t.Fatalf("what was saved cannot be read: %v", err)
		}
		one, _ := json.Marshal(absolute(t, r))
		two, _ := json.Marshal(absolute(t, again))
		if string(one) != string(two) {
			t.Fatalf("saved and read again\n%s\nbecame\n%s", one, two)
		}
	})
}

// absolute returns the recipe with its paths absolute, and of this version.
func absolute(t *testing.T, r Recipe) Recipe {
	r.Version = RecipeVersion
	for _, p := range r.Paths() {
		if *p == "" {
			continue
		}
		var err error
		if *p, err = filepath.Abs(*p); err != nil {
			t.Fatal(err)
		}
	}
	return r
}

// Whatever a geometry file holds, what is read from it passes Check, and is the same when written
// and read again.
func FuzzReadGeometry(f *testing.F) {
	g, err := json.Marshal(align.NewGeometry(320, 180, 400, 200))
	if err != nil {
		f.Fatal(err)
	}
	for _, s := range []string{string(g), `{"geometry":` + string(g) + `,"residual":1}`, `{"geometry":null}`, `null`, `{"color_size":[1,1],"band_size":[1,1],"homography":[1e300,0,0,0,1,0,0,0,1]}`} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, file []byte) {
		path := filepath.Join(t.TempDir(), "g.json")
		if err := os.WriteFile(path, file, 0o666); err != nil {
			t.Fatal(err)
		}
		g, err := ReadGeometry(path)
		if err != nil {
			if !strings.HasPrefix(err.Error(), path+": ") {
				t.Fatalf("the error does not name the file: %v", err)
			}
			return
		}
		if err := g.Check(); err != nil {
			t.Fatal(err)
		}
		again, err := json.Marshal(g)
		if err != nil {
			t.Fatal(err)
		}
		var h align.Geometry
		if err := json.Unmarshal(again, &h); err != nil || h != g {
			t.Fatalf("%v became %v, %v", g, h, err)
		}
	})
}

// A time code that is read is written the same, and moving it by frames there and back changes
// nothing.
func FuzzTimecode(f *testing.F) {
	for _, s := range []string{"01:02:03:04", "01:00:00;02", "23:59:59:23", "00:01:00;00", "a_10_01_02_03_04.png", "00.00.00.00.dpx", "99:99:99:99"} {
		for _, rate := range []int{24, 25, 30, 60, 0, -1} {
			f.Add(s, rate, false, 1)
			f.Add(s, rate, true, -2000)
		}
	}
	f.Fuzz(func(t *testing.T, s string, rate int, drop bool, n int) {
		check := func(c Timecode) {
			if err := c.Check(); err != nil {
				t.Fatal(err)
			}
			day := dayOf(c.Rate, c.Drop)
			if c.Number() < 0 || c.Number() >= day {
				t.Fatalf("%v is frame %d of %d", c, c.Number(), day)
			}
			n := n % day
			moved := c.Add(n)
			if err := moved.Check(); err != nil || moved.Number() != ((c.Number()+n)%day+day)%day || moved.Add(-n) != c {
				t.Fatalf("%v and %d frames is %v (%v), and back %v", c, n, moved, err, moved.Add(-n))
			}
		}
		if c, err := ParseTimecode(s, rate); err == nil {
			check(c)
			if back, err := ParseTimecode(c.String(), rate); err != nil || back != c {
				t.Fatalf("%v became %v, %v", c, back, err)
			}
		}
		if c, ok := NameTimecode(s, rate, drop); ok {
			check(c)
		}
	})
}

// Whatever the files are called, each frame is in one pair at most, or is reported without a
// partner, and numbers rise.
func FuzzPairing(f *testing.F) {
	f.Add("c_0001.png/c_0002.png/c_0003.png", "b1.tif/b3.tif/b4.tif", 0)
	f.Add("take3_007_v2.png/take3_008_v2.png", "take3_8.dpx", 1)
	f.Add("a_01_02_03_04.png/a_01_02_03_05.png", "b_01_02_03_04.png/b_23_59_59_23.png", -1)
	f.Add("99999999999999999999.png", "9223372036854775807.png/1.png", 9223372036854775807)
	f.Add("plate.png", "плёнка 12 é.png", -9223372036854775808)
	f.Fuzz(func(t *testing.T, colors, bands string, offset int) {
		sequence := func(names string) (Sequence, bool) {
			paths := strings.Split(names, "/")
			slices.Sort(paths)
			seq, err := number(slices.Compact(paths))
			return seq, err == nil
		}
		color, ok1 := sequence(colors)
		band, ok2 := sequence(bands)
		for _, seq := range []Sequence{color, band, byTimecode(strings.Split(colors, "/"), 30, true)} {
			for i := 1; i < len(seq); i++ {
				if seq[i].Number <= seq[i-1].Number {
					t.Fatalf("number %d after %d", seq[i].Number, seq[i-1].Number)
				}
			}
		}
		if !ok1 || !ok2 {
			return
		}
		p, err := MatchOffset(color, band, offset)
		if err != nil && len(p.Pairs) > 0 || len(p.Pairs)+len(p.NoBand) != len(color) || len(p.Pairs)+len(p.NoColor) != len(band) {
			t.Fatalf("%d and %d frames gave %d pairs, %d and %d without partners (%v)", len(color), len(band), len(p.Pairs), len(p.NoBand), len(p.NoColor), err)
		}
		if len(color) > 1 || len(band) > 1 {
			for _, pair := range p.Pairs {
				other, ok := band.at(pair.Number + offset)
				if !ok || other.Path != pair.Band {
					t.Fatalf("frame %d with %s, offset %d", pair.Number, pair.Band, offset)
				}
			}
		}
		_ = Ranges(p.NoBand)
	})
}

// What the command line's words are read as is written the same in a recipe.
func FuzzWords(f *testing.F) {
	for _, s := range []string{"", "auto", "none", "12-48", "12-", "-", "7", "0.03,0.02,0.005", "1,2", "-3", "0.01", "NaN", "1e9", "NaN,0,0"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		first, last, err := ParseFrames(s)
		if err == nil && (first < 0 || last < first) {
			t.Fatalf("frames %d to %d", first, last)
		}
		for _, as := range []func(*testing.T, string){sameInARecipe[int], sameInARecipe[[3]float64], sameInARecipe[matte.Glare], sameInARecipe[map[int]float64]} {
			as(t, s)
		}
	})
}

func sameInARecipe[T any](t *testing.T, s string) {
	var c, back Choice[T]
	c.Set(s)
	b, err := json.Marshal(c)
	if err != nil {
		if strings.Contains(err.Error(), "unsupported value") { // not a number, or infinite: Check refuses it
			return
		}
		t.Fatalf("%q became %+v: %v", s, c, err)
	}
	if err := json.Unmarshal(b, &back); err != nil || c.Mode != "file" && !reflect.DeepEqual(back, c) {
		t.Fatalf("%q: %s became %+v, not %+v: %v", s, b, back, c, err)
	}
}
