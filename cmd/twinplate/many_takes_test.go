package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"image"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"example.com/twinplate/internal/test/tier"
	"example.com/twinplate/plate"
	"example.com/twinplate/plate/exr"
	"example.com/twinplate/rig/simulate"
)

// Size and number of the takes, and of the kills among them.
const (
	manyTakes, manyFrames, manyKills = 200, 24, 10
	manyW, manyH                     = 96, 54
)

// damages are what happens to files on the way from a set.
var damages = []struct {
	name string
	do   func(path string, data []byte, dice *rand.Rand) error
}{
	{"cut off", func(path string, data []byte, dice *rand.Rand) error {
		return os.WriteFile(path, data[:dice.IntN(len(data))], 0o666)
	}},
	{"empty", func(path string, _ []byte, _ *rand.Rand) error { return os.Truncate(path, 0) }},
	{"text", func(path string, _ []byte, _ *rand.Rand) error {
		return os.WriteFile(path, []byte("404 Not Found\n"), 0o666)
	}},
	{"bytes of another file from some place on", func(path string, data []byte, dice *rand.Rand) error {
		for i := dice.IntN(len(data)); i < len(data); i++ {
			data[i] = byte(dice.Uint32())
		}
		return os.WriteFile(path, data, 0o666)
	}},
	{"a few bits", func(path string, data []byte, dice *rand.Rand) error {
		for range 8 {
			data[dice.IntN(len(data))] ^= 1 << dice.IntN(8)
		}
		return os.WriteFile(path, data, 0o666)
	}},
	{"of another size", func(path string, _ []byte, _ *rand.Rand) error {
		return plate.Write(path, plate.NewGray(manyW/2, manyH), nil)
	}},
	{"not finite", func(path string, _ []byte, dice *rand.Rand) error {
		pix := make([]float32, manyW*manyH)
		pix[dice.IntN(len(pix))] = float32(math.Inf(1))
		var file bytes.Buffer
		err := exr.Encode(&file, &exr.Image{Data: image.Rect(0, 0, manyW, manyH), Channels: []exr.Channel{{Name: "Y", Type: exr.Float, Float: pix}}}, nil)
		return errors.Join(err, os.WriteFile(path, file.Bytes(), 0o666))
	}},
	{"a link to nothing", func(path string, _ []byte, _ *rand.Rand) error {
		return errors.Join(os.Remove(path), os.Symlink(path+".gone", path))
	}},
	{"gone", func(path string, _ []byte, _ *rand.Rand) error { return os.Remove(path) }},
}

// sound reports whether a plate is one, as it is read by itself.
func sound(path string) bool {
	f, err := plate.ReadRGB(path, plate.SRGB, nil)
	return err == nil && f.CheckFinite() == nil && f.W == manyW && f.H == manyH
}

// Two hundred takes, a tenth of whose files are damaged in every way that there is, and ten kills:
// in the end every sound frame is made, and every other one is named.
func TestManyDamagedTakes(t *testing.T) {
	tier.InTestAll(t)
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	dice := rand.New(rand.NewPCG(seed, 0))
	dir := t.TempDir()
	kills := dice.Perm(manyTakes)[:manyKills]
	made, named, killed := 0, 0, 0
	did := map[string]int{}
	for i := range manyTakes {
		folder := filepath.Join(dir, fmt.Sprintf("take%03d", i))
		file := func(plates string, n int) string {
			return filepath.Join(folder, plates, fmt.Sprintf("%04d.png", n))
		}
		set := simulate.New(simulate.Cutouts{Seed: uint64(i)}, manyW, manyH, manyW, manyH, nil, simulate.DemoFaults(), uint64(i))
		srgb := &plate.WriteOptions{Curve: plate.SRGB}
		err := errors.Join(os.MkdirAll(filepath.Join(folder, "color"), 0o777), os.MkdirAll(filepath.Join(folder, "band"), 0o777))
		back := plate.NewRGB(manyW, manyH)
		back.Fill(0.1, 0.2, 0.4)
		err = errors.Join(err, plate.Write(filepath.Join(folder, "background.png"), back, srgb))
		for n := 1; n <= manyFrames; n++ {
			shot := set.Frame(n)
			err = errors.Join(err, plate.Write(file("color", n), shot.Color, srgb), plate.Write(file("band", n), shot.Band, srgb))
		}
		if err != nil {
			t.Fatal(err)
		}
		for range 2 * manyFrames / 10 {
			path := file([]string{"color", "band"}[dice.IntN(2)], 1+dice.IntN(manyFrames))
			data, err := os.ReadFile(path)
			if err != nil || len(data) == 0 {
				continue // damaged already
			}
			d := damages[dice.IntN(len(damages))]
			if err := d.do(path, data, dice); err != nil {
				t.Fatal(d.name, err)
			}
			did[d.name]++
		}
		var good, bad []int
		for n := 1; n <= manyFrames; n++ {
			if sound(file("color", n)) && sound(file("band", n)) {
				good = append(good, n)
			} else {
				bad = append(bad, n)
			}
		}
		out := filepath.Join(folder, "out")
		args := []string{"comp", folder, "--geometry", "none", "--color-curve", "srgb", "--band-curve", "srgb", "--out", out, "--json"}
		if slices.Contains(kills, i) {
			c, _ := command(t, args...)
			if err := c.Start(); err != nil {
				t.Fatal(err)
			}
			ended := make(chan error, 1)
			go func() { ended <- c.Wait() }()
			target := 1 + dice.IntN(manyFrames)
			for running := true; running; {
				select {
				case <-ended:
					running = false
				case <-time.After(time.Millisecond):
					if len(products(t, out)) >= target {
						c.Process.Kill()
						<-ended
						killed++
						running = false
					}
				}
			}
		}
		code, text, errs := twinplate(t, args...)
		var report struct {
			Frames  int
			Errors  []struct{ Frame int }
			NoBand  []int `json:"missing_band"`
			NoColor []int `json:"missing_color"`
		}
		if err := json.Unmarshal([]byte(text), &report); err != nil {
			t.Errorf("take %d: exit code %d, %v, %s", i, code, err, errs)
			continue
		}
		said := slices.Concat(report.NoBand, report.NoColor)
		for _, e := range report.Errors {
			said = append(said, e.Frame)
		}
		slices.Sort(said)
		// A frame whose files are both gone is in neither recording.
		bad = slices.DeleteFunc(bad, func(n int) bool {
			_, errC := os.Lstat(file("color", n))
			_, errB := os.Lstat(file("band", n))
			return errC != nil && errB != nil
		})
		if !slices.Equal(said, bad) || report.Frames != len(good) || (code == exitSomeFrame) != (len(report.Errors) > 0) || code != exitDone && code != exitSomeFrame {
			t.Errorf("take %d: exit code %d, %d frames made and %v named; want %d and %v: %s", i, code, report.Frames, said, len(good), bad, errs)
		}
		files := products(t, out)
		for _, n := range good {
			for _, product := range []string{"comp", "matte"} {
				name := fmt.Sprintf("%s/%04d.png", product, n)
				if m, _, err := plate.Decode(files[name], nil); err != nil || m.Bounds().Dx() != manyW {
					t.Errorf("take %d: %s is not whole: %v", i, name, err)
				}
				delete(files, name)
			}
		}
		for name := range files {
			t.Errorf("take %d: %s should not be there", i, name)
		}
		for _, e := range report.Errors {
			if !strings.Contains(errs, fmt.Sprintf("frame %d: ", e.Frame)) {
				t.Errorf("take %d: frame %d is not named in %s", i, e.Frame, errs)
			}
		}
		made, named = made+len(good), named+len(bad)
		if err := os.RemoveAll(folder); err != nil {
			t.Fatal(err)
		}
	}
	t.Logf("%d frames made, %d named, %d runs killed; damages: %v", made, named, killed, did)
	if killed < manyKills/2 {
		t.Errorf("only %d runs were killed before their end", killed)
	}
}
