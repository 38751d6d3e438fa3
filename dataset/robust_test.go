package dataset_test

import (
	"context"
	"fmt"
	"path/filepath"
	"testing"

	"example.com/twinplate/align"
	"example.com/twinplate/dataset"
	"example.com/twinplate/internal/test/odd"
	"example.com/twinplate/plate"
	"example.com/twinplate/take"
)

// A data set is made of whatever takes, or there is an error: nothing panics, hangs, or is written
// beyond what files hold.
func TestOddTakes(t *testing.T) {
	for k, picture := range odd.Pictures {
		for i, size := range [][2]int{{1, 1}, {33, 47}} {
			if (k+i)%2 != 0 {
				continue // for the time that it takes
			}
			name := fmt.Sprintf("%s, %v", picture, size)
			random := odd.Random(name)
			dir := odd.Shoot(t, random, func() (*plate.RGB, *plate.Gray) { return picture.Plates(size[0], size[1], 0.2, random) })
			file := func(name string) string { return filepath.Join(dir, name) }
			source := dataset.Source{Name: "odd", Recipe: take.Recipe{Color: file("color"), Band: file("band"), Background: file("background.exr"),
				CleanBand: file("clean_band.exr"), DarkBand: file("dark_band.exr"), Geometry: take.Choice[align.Geometry]{Mode: "none"}}}
			for _, format := range []string{"png", "exr"} {
				odd.Try(t, name+" as "+format, func(ctx context.Context) ([]float64, error) {
					_, err := dataset.Write(ctx, file("set-"+format), []dataset.Source{source}, &dataset.Options{Format: format})
					return nil, err
				})
			}
		}
	}
}
