//go:build !js

package take_test

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"example.com/twinplate/take"
)

// Plates are found by their names, in the ways that crews lay them out.
func TestFromFolder(t *testing.T) {
	for _, test := range []struct {
		name  string
		files []string // one that ends in a slash is a folder
		want  string   // what is found, or a part of the error
	}{
		{"as the demo writes them", []string{"color/", "band/", "background/", "clean_band.png", "clean_color.png", "dark_band.png", "dark_color.png", "truth/", "comp/", "matte/", "contact.png", "recipe.json"},
			"color=color band=band background=background clean_color=clean_color.png clean_band=clean_band.png dark_color=dark_color.png dark_band=dark_band.png"},
		{"clips and references of several frames", []string{"A003_color.mov", "A003_band.mov", "clean band/", "Dark_Band/", "flat_color/", "sound.wav"},
			"color=A003_color.mov band=A003_band.mov clean_band=clean band dark_band=Dark_Band flat_color=flat_color"},
		{"frames in one folder", []string{"color_0001.png", "color_0002.png", "band_0001.tif", "band_0002.tif", "notes.txt", ".band_0003.tif"}, "color=color_[0-9]*.png band=band_[0-9]*.tif"},
		{"one frame", []string{"color_0001.png", "band_0001.png", "bg.jpg"}, "color=color_0001.png band=band_0001.png background=bg.jpg"},
		{"an exact name among others", []string{"color/", "color graded/", "band/"}, "color=color band=band"},
		{"two that could be one", []string{"color a/", "color b/", "band/"}, "could be the plate color"},
		{"nothing", []string{"a.png", "b.png"}, "no plate is found"},
	} {
		dir := t.TempDir()
		for _, name := range test.files {
			path := filepath.Join(dir, name)
			var err error
			if strings.HasSuffix(name, "/") {
				err = os.Mkdir(path, 0o777)
			} else {
				err = os.WriteFile(path, nil, 0o666)
			}
			if err != nil {
				t.Fatal(err)
			}
		}
		_, found, err := take.FromFolder(dir)
		var got []string
		for _, f := range found {
			rel, e := filepath.Rel(dir, f.Path)
			err = errors.Join(err, e)
			got = append(got, f.Field+"="+rel)
		}
		if err != nil && !strings.Contains(err.Error(), test.want) || err == nil && strings.Join(got, " ") != test.want {
			t.Errorf("%s: %q, %v; want %q", test.name, got, err, test.want)
		}
	}
	if _, _, err := take.FromFolder(filepath.Join(t.TempDir(), "nowhere")); err == nil {
		t.Error("a folder that is not there")
	}
}

func ExampleFromFolder() {
	dir, err := os.MkdirTemp("", "take")
	if err != nil {
		panic(err)
	}
	defer os.RemoveAll(dir)
	for _, name := range []string{"color", "band", "clean_band"} {
		if err := os.Mkdir(filepath.Join(dir, name), 0o777); err != nil {
			panic(err)
		}
	}
	r, found, err := take.FromFolder(dir)
	if err != nil {
		panic(err)
	}
	os.Stdout.WriteString(filepath.Base(r.CleanBand) + "\n")
	for _, f := range found {
		os.Stdout.WriteString(f.Field + "\n")
	}
	// Output:
	// clean_band
	// color
	// band
	// clean_band
}
