// Package film has takes drawn by testdata/footage/film.py, which has nothing of the library in it,
// and reads what the script says is true of them.
package film

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
)

// Python is Debian's, which has the script's NumPy, OpenCV and scikit-image.
const Python = "/usr/bin/python3"

// Draw runs the script under a Python with its arguments after the first, the folder that the take
// is drawn into. The error has what the script said, or is ctx's.
func Draw(ctx context.Context, python, script, dir string, args ...string) error {
	out, err := exec.CommandContext(ctx, python, append([]string{script, dir}, args...)...).CombinedOutput()
	if err == nil || ctx.Err() != nil {
		return ctx.Err()
	}
	return fmt.Errorf("%s %s: %w\n%s", script, strings.Join(args, " "), err, out)
}

// Facts are what the script says of a take that it drew.
type Facts struct {
	ColorSize    [2]int       `json:"color_size"` // pixels
	BandSize     [2]int       `json:"band_size"`
	Homography   [9]float64   `json:"homography"` // from color to band pixels, before the mirror
	Mirror       bool         `json:"mirror"`     // then the band plate is flipped left to right
	Radial       float64      `json:"radial"`
	Center       [2]float64   `json:"center"`
	M            [3]float64   `json:"m"`
	Gains        []float64    `json:"gains"`
	Motion       [][2]float64 `json:"motion"`        // of the performer in each frame, while the shutter is open, in color pixels
	FloorScale   float64      `json:"floor_scale"`   // of alpha, at full scale of the floor's files
	TextureBound float64      `json:"texture_bound"` // pixels: with which error the core's texture in the files could tell a displacement
}

// ReadTruth reads the truth of the take that was drawn into dir.
func ReadTruth(dir string) (t Facts, err error) {
	path := filepath.Join(dir, "truth", "truth.json")
	data, err := os.ReadFile(path)
	if err != nil {
		return t, err
	}
	if err := json.Unmarshal(data, &t); err != nil {
		return t, fmt.Errorf("%s: %w", path, err)
	}
	if t.ColorSize[0] < 1 || t.BandSize[0] < 1 {
		return t, errors.New(path + ": it has no sizes of plates")
	}
	if t.Mirror { // the file's homography has it
		h := &t.Homography
		for k := range 3 {
			h[k] = float64(t.BandSize[0]-1)*h[6+k] - h[k]
		}
	}
	return t, nil
}
