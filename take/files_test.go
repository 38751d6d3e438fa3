package take_test

import (
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"example.com/twinplate/align"
	"example.com/twinplate/take"
)

func ExampleFiles() {
	_, err := take.Files("nowhere/*.png")
	fmt.Println(err)
	// Output: nowhere/*.png: no file matches this pattern
}

func ExampleRecipe_BaseNames() {
	r := take.Recipe{Color: "/shots/12/color", ColorCurve: "/curves/log.csv", BandCurve: "srgb"}.BaseNames()
	fmt.Println(r.Color, r.ColorCurve, r.BandCurve)
	// Output: color log.csv srgb
}

func TestReferenceFiles(t *testing.T) {
	dir := touch(t, "color/1.png", "band/1.png", "sea.png", "dark/1.png", "dark/2.png", "log.csv", "g.json", "flat 1.png")
	in := func(name string) string { return filepath.Join(dir, name) }
	r := take.Recipe{Color: in("color"), Band: in("band"), Background: in("sea.png"), DarkBand: in("dark"), FlatBand: in("flat*.png"), ColorCurve: in("log.csv"), BandCurve: "srgb", Geometry: take.Choice[align.Geometry]{Mode: "file", File: in("g.json")}}
	got, err := r.ReferenceFiles()
	slices.Sort(got)
	want := []string{in("dark/1.png"), in("dark/2.png"), in("flat 1.png"), in("g.json"), in("log.csv")}
	if err != nil || !slices.Equal(got, want) {
		t.Errorf("%v, %v; want %v", got, err, want)
	}
	r.CleanColor = in("none.png")
	if _, err := r.ReferenceFiles(); err == nil || !strings.Contains(err.Error(), "none.png") {
		t.Error(err)
	}
}
