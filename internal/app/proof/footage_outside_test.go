//go:build !js

package proof

import (
	"math"
	"path/filepath"
	"slices"
	"testing"

	"example.com/twinplate/internal/test/outside"
	"example.com/twinplate/internal/test/tier"
	"example.com/twinplate/take"
)

// footageScript returns the options with the script in them, where all that it needs is there.
func footageScript(t *testing.T) *FilmOptions {
	t.Helper()
	tier.InTest(t)
	return &FilmOptions{Script: outside.FilmScript(t)}
}

// small returns a take of 640x360 pixels in which nothing is wrong, but for what change does.
func small(seed uint64, change func(*FootageTake)) FootageTake {
	t := FootageTake{Seed: seed, W: 640, H: 360, Frames: 3, Performer: "shape", Tall: 0.8, Photo: "chelsea", Light: "flat", Leak: 0.02, Noise: 0.01, Curve: "linear", Codec: "png"}
	if change != nil {
		change(&t)
	}
	return t
}

// What the script draws is what its truth says: with geometry, m and gains given, the matte has the
// noise that the script states, everywhere and at edges, whatever the light, a distorted lens, and
// a codec.
func TestFootageTruth(t *testing.T) {
	tier.InTest(t)
	for _, f := range []FootageTake{
		small(1, func(f *FootageTake) { f.Light, f.Curve = "side", "srgb" }),
		small(2, func(f *FootageTake) {
			f.Performer, f.Light, f.Faults = "figure", "photo", []string{"distort", "lowband"}
		}),
		small(3, func(f *FootageTake) { f.Codec = "prores" }),
	} {
		t.Run(f.String(), func(t *testing.T) {
			dir, truth := outside.Film(t, f.args()...)
			r, err := take.ReadRecipe(filepath.Join(dir, "recipe.json"))
			if err != nil {
				t.Fatal(err)
			}
			g := trueGeometry(&truth)
			r.Background, r.Write, r.Clamp = "", []string{"sigma"}, "none"
			r.Geometry, r.Crosstalk = take.Given(g), take.Given(truth.M)
			r.Gain = take.Given(map[int]float64{})
			for i, v := range truth.Gains {
				r.Gain.Value[i+1] = v
			}
			l := FootageLine{FootageTake: f}
			if err := l.job(t.Context(), dir, r, &truth); err != nil {
				t.Fatal(err)
			}
			t.Logf("over the floor: %.3f, at edges %.3f; floor %.4f", l.Matte, l.MatteEdges, l.Floor)
			// Resampling averages neighbors, so that open screen is quieter than its pixels.
			if !(l.Matte > 0.7 && l.Matte < 1.05) || !(l.MatteEdges > 0.8 && l.MatteEdges < 1.15) || l.Frame > 1e-9 {
				t.Errorf("the matte's error is %.3f of the floor, %.3f at edges, the geometry's %v px; the truth is not that of the plates", l.Matte, l.MatteEdges, l.Frame)
			}
			// The stand-in for a wrong truth: half a pixel of shift must show.
			g.Homography[2] += 0.5
			r.Geometry = take.Given(g)
			if err := l.job(t.Context(), dir, r, &truth); err != nil {
				t.Fatal(err)
			}
			if l.MatteEdges < 2 || math.Abs(l.Edges-0.5) > 0.05 {
				t.Errorf("half a pixel off: the matte at edges is %.2f of the floor, the geometry %.2f px off", l.MatteEdges, l.Edges)
			}
		})
	}
}

// Takes that nothing of the library drew: no panic, no error that nothing says, and the geometry
// within a limit at the edges.
func TestFootage(t *testing.T) {
	o := footageScript(t)
	for _, row := range []struct {
		FootageTake
		edges float64 // pixels
		long  bool    // belongs to make test-all
	}{
		{small(11, nil), 0.05, false},
		{small(12, func(f *FootageTake) { f.Light, f.Photo = "side", "coffee" }), 0.05, true},
		{small(13, func(f *FootageTake) { f.Light, f.Photo, f.Curve = "photo", "rocket", "srgb" }), 0.05, false},
		{small(15, func(f *FootageTake) { f.Photo, f.Codec, f.Without = "grass", "hevc", []string{"clean", "dark"} }), 0.05, false},
		{small(16, func(f *FootageTake) { f.Performer = "none" }), 0, false},
		{small(17, func(f *FootageTake) { f.Faults = []string{"exchanged"} }), 0, false},
		{small(20, func(f *FootageTake) { f.Photo, f.Faults = "stereo_motorcycle", []string{"soft"} }), 0.05, true},
		{small(23, func(f *FootageTake) { f.Performer, f.Photo = "symmetric", "grass" }), 0.05, true},
		{small(25, func(f *FootageTake) { f.Faults = []string{"standin"} }), 0.05, false},
		{small(27, func(f *FootageTake) { f.Leak, f.Faults = 0.04, []string{"bandpicture"} }), 0.05, true},
		{small(19, func(f *FootageTake) { f.Faults = []string{"rolling"} }), 0.3, true},
		{small(26, func(f *FootageTake) { f.Faults = []string{"curve"} }), 0.05, true},
		{small(28, func(f *FootageTake) { f.Photo, f.Faults = "coffee", []string{"partial", "spill"} }), 0.05, true},
	} {
		t.Run(row.String(), func(t *testing.T) {
			if row.long {
				tier.InTestAll(t)
			}
			t.Parallel()
			l, err := Footage(t.Context(), row.FootageTake, o)
			if err != nil {
				t.Fatal(err)
			}
			t.Logf("%.3f px at the edges, stated %.3f; matte %.2f, at edges %.2f; z %.2f %.2f %.2f; %v %v; warnings %v", l.Edges, l.Stated, l.Matte, l.MatteEdges, l.OpenZ, l.CoreZ, l.EdgeZ, l.Verdict, l.Why, l.Warnings)
			if l.Verdict == Panicked || l.Verdict == Silent || l.Refused != "" && !l.NeedNotWork() || l.Edges > row.edges {
				t.Errorf("%s: %v; %.3f px off at the edges, at most %.3f is wanted", l.Verdict, l.Why, l.Edges, row.edges)
			}
		})
	}
}

// The matrix is the same for the same seed, another for another, and has of everything.
func TestFootageMatrix(t *testing.T) {
	all := FootageMatrix(40, 7, nil)
	if !slices.EqualFunc(all, FootageMatrix(40, 7, nil), func(a, b FootageTake) bool { return a.String() == b.String() && a.Seed == b.Seed }) {
		t.Error("the same seed gave other takes")
	}
	seen := map[string]int{}
	for _, f := range all {
		for _, w := range append([]string{f.Performer, f.Light, f.Codec, f.Curve, f.Photo}, append(f.Faults, f.Without...)...) {
			seen[w]++
		}
		if f.W*f.H*f.Frames > 20*1280*720 {
			t.Errorf("%v: too large for a matrix that is run often", f)
		}
	}
	for _, w := range []string{"figure", "shape", "symmetric", "none", "flat", "side", "photo", "png", "h264-18", "h264-23", "hevc", "prores", "clean", "dark",
		"lateral", "axial", "mosaic", "bandmosaic", "soft", "rolling", "partial", "spill", "lowband", "shake", "distort", "pedestal", "bandpicture", "exchanged", "standin", "curve"} {
		if seen[w] == 0 {
			t.Errorf("no take has %s", w)
		}
	}
	if FootageMatrix(40, 8, nil)[0].String() == all[0].String() && FootageMatrix(40, 8, nil)[1].String() == all[1].String() {
		t.Error("another seed gave the same takes")
	}
}

// What counts as a warning decides between silent and not, so each verdict is tried.
func TestFootageVerdict(t *testing.T) {
	good := FootageLine{FootageTake: small(1, nil), TextureBound: 0.01, Edges: 0.01, Stated: 0.02, Frame: 0.1, StatedFrame: 0.2, Matte: 0.9, MatteEdges: 1, OpenZ: 0.9, CoreZ: 1, EdgeZ: 1.1}
	for _, row := range []struct {
		name   string
		change func(*FootageLine)
		want   Outcome
	}{
		{"all is well", func(*FootageLine) {}, Right},
		{"a panic", func(l *FootageLine) { l.Panic = "index out of range" }, Panicked},
		{"far off", func(l *FootageLine) { l.Edges = 0.4 }, Silent},
		{"far off with a warning", func(l *FootageLine) {
			l.Edges = 0.4
			l.hear("job", "the edges are still 0.80 pixels apart: the geometry may be wrong")
		}, Short},
		{"far off with a warning of something else", func(l *FootageLine) {
			l.Edges = 0.4
			l.hear("job", "the performer's edges are only in the middle of the frame")
			l.hear("note", "1.3 % of the color frame lies outside the band plate")
			l.hear("check evenness", "The screen falls off")
		}, Silent},
		{"far off with a warning of the matte's sigma", func(l *FootageLine) {
			l.Edges = 0.4
			l.hear("job", "no edge is plain enough: at edges the error may be larger than stated")
		}, Silent},
		{"off over the frame, stated", func(l *FootageLine) { l.Frame, l.StatedFrame = 3, 2 }, Right},
		{"off over the frame, not stated", func(l *FootageLine) { l.Frame = 3 }, Silent},
		{"a bad matte", func(l *FootageLine) { l.MatteEdges, l.EdgeZ = 3, 1 }, Silent},
		{"a bad matte that check tells", func(l *FootageLine) {
			l.MatteEdges = 3
			l.hear("check focus", "The band camera is softer than the other")
		}, Right},
		{"a little off", func(l *FootageLine) { l.Edges, l.Stated = 0.06, 0.05 }, Short},
		{"a little off where nothing could tell", func(l *FootageLine) { l.Edges, l.Stated, l.TextureBound = 0.06, 0.05, 0.1 }, Right},
		{"a stated error that is too small", func(l *FootageLine) { l.Edges, l.Stated = 0.04, 0.015 }, Short},
		{"a sigma that is too small", func(l *FootageLine) { l.CoreZ = 2 }, Short},
		{"which is said", func(l *FootageLine) { l.CoreZ = 2; l.hear("note", "the matte's error is larger than stated") }, Right},
		{"a sigma that is too large, which is said", func(l *FootageLine) {
			l.EdgeZ = 0.5
			l.hear("note", "most of sigma is the geometry's: the error is smaller than stated")
		}, Right},
		{"a sigma that is too large", func(l *FootageLine) { l.OpenZ = 0.5; l.hear("note", "the matte's error is larger than stated") }, Short},
		{"through a codec that has no target", func(l *FootageLine) { l.CoreZ, l.Codec = 9, "h264-23" }, Right},
		{"refused", func(l *FootageLine) { l.Refused = "no silhouettes" }, Short},
		{"refused with nobody there", func(l *FootageLine) { l.Refused, l.Performer = "no silhouettes", "none" }, Right},
		{"exchanged and told", func(l *FootageLine) {
			l.Faults, l.Edges, l.Matte = []string{"exchanged"}, 17, 100
			l.hear("check files", "A plate is not what it is called")
		}, Right},
		{"exchanged and not told", func(l *FootageLine) { l.Faults = []string{"exchanged"} }, Silent},
	} {
		l := good
		row.change(&l)
		if got, why := l.judge(); got != row.want || (got != Right) != (len(why) > 0) {
			t.Errorf("%s: %s %v, want %s", row.name, got, why, row.want)
		}
	}
}
