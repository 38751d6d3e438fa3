//go:build !js

package main

import (
	"bytes"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"example.com/twinplate/align"
	"example.com/twinplate/day"
	"example.com/twinplate/internal/test/outside"
	"example.com/twinplate/internal/test/tier"
	"example.com/twinplate/plate"
	"example.com/twinplate/rig/simulate"
)

const (
	dayW, dayH, dayFrames, dayFPS = 240, 136, 32, 24
	dayLate                       = 5 // frames that the band camera was started late
)

// A card is what one camera has recorded.
type card struct{ dir string }

// record writes a clip without loss by FFmpeg, of 16 bits, with sound at 8000 samples a second
// unless that is nil, and the time of its recording.
func (c card) record(t *testing.T, name string, at time.Time, frames int, sound []float32, frame func(i int) *plate.RGB) {
	t.Helper()
	if err := os.MkdirAll(filepath.Join(c.dir, "CLIP"), 0o777); err != nil {
		t.Fatal(err)
	}
	var raw []byte
	codes := plate.NewEncoder(plate.SRGB, 16)
	for i := range frames {
		f := frame(i)
		for _, channel := range []int{1, 2, 0} { // as FFmpeg has planes of R'G'B'
			for _, v := range f.Pix[channel] {
				raw = binary.LittleEndian.AppendUint16(raw, codes.Code(v))
			}
		}
	}
	args := []string{"-nostdin", "-v", "error", "-y", "-f", "rawvideo", "-pix_fmt", "gbrp16le", "-s", fmt.Sprintf("%dx%d", dayW, dayH), "-r", fmt.Sprint(dayFPS), "-i", "pipe:0"}
	if sound != nil {
		file := filepath.Join(t.TempDir(), "sound.raw")
		var data []byte
		for _, v := range sound {
			data = binary.LittleEndian.AppendUint32(data, math.Float32bits(v))
		}
		if err := os.WriteFile(file, data, 0o666); err != nil {
			t.Fatal(err)
		}
		args = append(args, "-f", "f32le", "-ar", fmt.Sprint(align.SoundRate), "-ac", "1", "-i", file, "-c:a", "pcm_s16le")
	}
	args = append(args, "-c:v", "ffv1", "-metadata", "creation_time="+at.UTC().Format(time.RFC3339), filepath.Join(c.dir, "CLIP", name))
	cmd := exec.Command(outside.Program(t, "ffmpeg"), args...)
	cmd.Stdin = bytes.NewReader(raw)
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("ffmpeg: %v: %s", err, out)
	}
}

// shootDay records a day onto two cards in dir: a clean plate, with three takes a dark one and the
// chart too, and the takes by both cameras, the third after somebody has bumped the rig; a clip of
// the color camera alone; and three that are broken. The band camera's clock is three minutes
// ahead.
func shootDay(t *testing.T, dir string, takes int) (color, band card) {
	t.Helper()
	color, band = card{filepath.Join(dir, "A")}, card{filepath.Join(dir, "B")}
	begin := time.Date(2026, 6, 1, 23, 40, 0, 0, time.UTC)
	const ahead = 3 * time.Minute
	gray := func(f *plate.Gray) *plate.RGB {
		return &plate.RGB{W: f.W, H: f.H, Pix: [3][]float32{f.Pix, f.Pix, f.Pix}}
	}
	before := align.Identity(dayW, dayH)
	before.Homography[2], before.Homography[5] = 3, -2
	after := before
	after.Homography[2] += 4
	faults := simulate.DemoFaults()
	faults.Bits, faults.FrameOffset = 16, dayLate
	plates := simulate.New(simulate.Cutouts{Seed: 1}, dayW, dayH, dayW, dayH, before, faults, 1)
	stills := []struct {
		color *plate.RGB
		band  *plate.Gray
	}{{plates.CleanColor(), plates.CleanBand()}}
	if takes > 1 {
		still := struct {
			color *plate.RGB
			band  *plate.Gray
		}{plates.DarkColor(), plates.DarkBand()}
		stills = append(stills, still)
		still.color, still.band = chartPlates(t, 3, -2)
		stills = append(stills, still)
	}
	for i, still := range stills {
		at := begin.Add(time.Duration(i) * 2 * time.Minute)
		color.record(t, fmt.Sprintf("A%03d.mkv", i+1), at, 8, nil, func(int) *plate.RGB { return still.color })
		band.record(t, fmt.Sprintf("B%03d.mkv", i+1), at.Add(ahead), 8, nil, func(int) *plate.RGB { return gray(still.band) })
	}
	dice := rand.New(rand.NewPCG(1, 2))
	for i := range takes {
		g := before
		if i == 2 {
			g = after
		}
		set := simulate.New(simulate.Cutouts{Seed: uint64(i)}, dayW, dayH, dayW, dayH, g, faults, uint64(i))
		var shots []simulate.Shot
		for k := range dayFrames {
			shots = append(shots, set.Frame(k))
		}
		room := make([]float32, 3*align.SoundRate)
		for k := range room {
			room[k] = float32(0.1 * dice.NormFloat64() * math.Exp(-float64(k%3000)/700))
		}
		n := dayFrames * align.SoundRate / dayFPS
		late := dayLate * align.SoundRate / dayFPS
		at := begin.Add(time.Duration(10+4*i) * time.Minute)
		color.record(t, fmt.Sprintf("A%03d.mkv", len(stills)+i+1), at, dayFrames, room[:n], func(k int) *plate.RGB { return shots[k].Color })
		band.record(t, fmt.Sprintf("B%03d.mkv", len(stills)+i+1), at.Add(ahead), dayFrames, room[late:late+n], func(k int) *plate.RGB { return gray(shots[k].Band) })
	}
	color.record(t, "A009 <b>&.mkv", begin.Add(2*time.Hour), 8, nil, func(int) *plate.RGB { return plates.CleanColor() })
	whole, err := os.ReadFile(filepath.Join(color.dir, "CLIP", "A001.mkv"))
	if err != nil {
		t.Fatal(err)
	}
	for path, data := range map[string][]byte{
		filepath.Join(color.dir, "CLIP", "A007.mov"): whole[:200], filepath.Join(band.dir, "CLIP", "B007.mkv"): nil, filepath.Join(band.dir, "B008.mp4"): []byte("404 Not Found\n"),
		filepath.Join(color.dir, "INDEX.XML"): []byte("<clips/>"), filepath.Join(band.dir, ".hidden.mkv"): nil,
	} {
		if err := os.WriteFile(path, data, 0o666); err != nil {
			t.Fatal(err)
		}
	}
	return color, band
}

// chartPlates returns the chart as both cameras see it, the band camera so many pixels farther
// right and down.
func chartPlates(t *testing.T, right, down int) (*plate.RGB, *plate.Gray) {
	t.Helper()
	c, err := align.NewChart(420, 297, 21)
	if err != nil {
		t.Fatal(err)
	}
	m, err := c.Image(0.95 * dayH / 297 * 25.4)
	if err != nil {
		t.Fatal(err)
	}
	color, band := plate.NewRGB(dayW, dayH), plate.NewGray(dayW, dayH)
	size := m.Bounds().Size()
	x0, y0 := (dayW-size.X)/2, (dayH-size.Y)/2
	light := func(x, y int) float32 { // ink of 4 % on paper of 30 %
		if x -= x0; x < 0 || x >= size.X {
			return 0.1
		}
		if y -= y0; y < 0 || y >= size.Y {
			return 0.1
		}
		return 0.04 + 0.26*float32(m.GrayAt(x, y).Y)/255
	}
	for y := range dayH {
		for x := range dayW {
			i := y*dayW + x
			for k := range color.Pix {
				color.Pix[k][i] = light(x, y)
			}
			band.Pix[i] = light(x-right, y-down)
		}
	}
	return color, band
}

// From two cards to clips by two commands: of sixteen clips in make test-all, and of eight in make
// test.
func TestDay(t *testing.T) {
	tier.InTest(t)
	dir := t.TempDir()
	takes, names := 1, []string{"clean01", "take01"}
	if tier.All() {
		takes, names = 3, []string{"clean01", "dark01", "chart01", "take01", "take02", "take03"}
	}
	color, band := shootDay(t, dir, takes)
	sea, folder, out := filepath.Join(dir, "sea.png"), filepath.Join(dir, "day"), filepath.Join(dir, "out")
	back := plate.NewRGB(dayW, dayH)
	back.Fill(0.1, 0.2, 0.4)
	if err := plate.Write(sea, back, &plate.WriteOptions{Curve: plate.SRGB}); err != nil {
		t.Fatal(err)
	}
	code, text, errs := twinplate(t, "day", color.dir, band.dir, "--out", folder, "--background", sea)
	if code != exitDone {
		t.Fatalf("exit code %d, %s", code, errs)
	}
	file := filepath.Join(folder, "day.json")
	d, err := day.Open(file)
	if err != nil {
		t.Fatal(err)
	}
	if len(d.Clocks) != 1 || math.Abs(d.Clocks[0].Apart-180) > 1 || d.Clocks[0].Pairs != len(names) {
		t.Errorf("clocks %+v, want 180 s by %d pairs", d.Clocks, len(names))
	}
	var kinds []string
	for i, p := range d.Pairs {
		kinds = append(kinds, p.Name)
		if a, b := filepath.Base(p.Color), filepath.Base(p.Band); a[1:] != b[1:] || a != fmt.Sprintf("A%03d.mkv", i+1) {
			t.Errorf("pair %d is of %s and %s", i, a, b)
		}
	}
	if !slices.Equal(kinds, names) {
		t.Fatalf("pairs %v, want %v\n%s", kinds, names, text)
	}
	if len(d.Left) != 4 {
		t.Errorf("left: %+v, want three that are broken and one without a partner", d.Left)
	}
	if len(d.Rigs) != (takes+1)/2 || takes == 3 && (!slices.Equal(d.Rigs[0].Pairs, []string{"chart01", "take01", "take02"}) || math.Abs(d.Rigs[1].Apart-4) > 0.3) {
		t.Errorf("rigs %+v, want take03 by itself, 4 px apart", d.Rigs)
	}
	for i, p := range d.Takes() {
		f := p.Found
		if f.Offset != -dayLate || f.OffsetBy != "sound" || f.Frames != dayFrames-dayLate || (p.Dark == "dark01") != (takes == 3) {
			t.Errorf("%s: %+v, dark %s", p.Name, f, p.Dark)
		}
		bumped := slices.ContainsFunc(f.Wrong, func(w string) bool { return strings.Contains(w, "somebody moved a camera") })
		if (p.Clean == "clean01") != (i < 2) || bumped != (i == 2) {
			t.Errorf("%s: clean plates %s; %q", p.Name, p.Clean, f.Wrong)
		}
	}
	page, err := os.ReadFile(filepath.Join(folder, "day.html"))
	if err != nil || bytes.Contains(page, []byte("A009 <b>")) || bytes.Count(page, []byte("data:image/jpeg")) != 3*takes {
		t.Errorf("the page: %v, %d pictures", err, bytes.Count(page, []byte("data:image/jpeg")))
	}

	// The second command, with a clip of each take; the last take beside its frames.
	if code, _, errs := twinplate(t, "comp", file, "--clip", filepath.Join(dir, "comp.mkv")); code != exitDone {
		t.Fatalf("comp: exit code %d, %s", code, errs)
	}
	for _, p := range d.Takes() {
		probed, err := exec.Command(outside.Program(t, "ffprobe"), "-v", "error", "-show_entries", "stream=codec_type,nb_read_frames", "-count_frames", "-of", "csv=p=0", filepath.Join(dir, p.Name+"_comp.mkv")).Output()
		if err != nil || !strings.Contains(string(probed), fmt.Sprintf("video,%d", dayFrames-dayLate)) || !strings.Contains(string(probed), "audio") {
			t.Errorf("%s's clip: %q, %v", p.Name, probed, err)
		}
	}
	// A shard of a chosen take.
	_, text, _ = twinplate(t, "comp", file, "--takes", "take01", "--shard", "1/9", "--out", out, "--json")
	var report compReport
	if err := json.Unmarshal([]byte(text), &report); err != nil || report.Take != "take01" || report.Frames != (dayFrames-dayLate)/9 || len(report.Estimated) > 0 {
		t.Errorf("a shard of one take: %+v, %v", report, err)
	}
	if files, err := os.ReadDir(filepath.Join(out, "take01", "comp")); err != nil || len(files) != report.Frames {
		t.Errorf("%d files, %v", len(files), err)
	}

	// What somebody edits is believed.
	last := d.Takes()[takes-1]
	for _, p := range d.Takes()[:takes-1] {
		p.Kind = day.Out
	}
	last.Clean = map[int]string{1: "none", 3: "clean01"}[takes]
	if err := d.Save(file); err != nil {
		t.Fatal(err)
	}
	if code, _, errs := twinplate(t, "comp", file, "--out", out); code != exitSomeFrame || !strings.Contains(errs, "edited since") {
		t.Errorf("an edited day: exit code %d, %s", code, errs)
	}
	if code, _, errs := twinplate(t, "day", color.dir, band.dir, "--out", folder); code != exitUsage || !strings.Contains(errs, "to read that day again") {
		t.Errorf("over an edited day: exit code %d, %s", code, errs)
	}
	if !tier.All() {
		return
	}
	if code, _, errs := twinplate(t, "day", file); code != exitDone {
		t.Errorf("again: exit code %d, %s", code, errs)
	}
	if d, err = day.Open(file); err != nil || len(d.Takes()) != 1 || d.Takes()[0].Clean != "clean01" || len(d.Left) != 4 {
		t.Errorf("again: %+v, %v", d, err)
	}
}
