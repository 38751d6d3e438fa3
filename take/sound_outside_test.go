//go:build !js

package take_test

import (
	"context"
	"encoding/binary"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"example.com/twinplate/internal/test/outside"
	"example.com/twinplate/internal/test/tier"
	"example.com/twinplate/take"
)

// clipWithSound writes a clip of so many gray frames with sound, 48000 samples a second, by FFmpeg.
func clipWithSound(t *testing.T, path string, frames int, sound []float64) {
	t.Helper()
	raw := filepath.Join(t.TempDir(), "sound.raw")
	var data []byte
	for _, v := range sound {
		data = binary.LittleEndian.AppendUint32(data, math.Float32bits(float32(v)))
	}
	if err := os.WriteFile(raw, data, 0o666); err != nil {
		t.Fatal(err)
	}
	args := []string{"-nostdin", "-v", "error", "-y", "-f", "lavfi", "-i", "testsrc2=s=64x36:r=24"}
	if sound != nil {
		args = append(args, "-f", "f32le", "-ar", "48000", "-ac", "1", "-i", raw, "-c:a", "pcm_s16le")
	}
	args = append(args, "-frames:v", strconv.Itoa(frames), "-t", "12", "-c:v", "ffv1", path)
	if out, err := exec.Command(outside.Program(t, "ffmpeg"), args...).CombinedOutput(); err != nil {
		t.Fatalf("ffmpeg: %v: %s", err, out)
	}
}

// Two cameras that were started by hand are brought together by a clap that both heard, and the part
// of a frame that is left is told.
func TestOffsetBySound(t *testing.T) {
	tier.InTest(t)
	const rate, frames = 48000, 200
	dice := rand.New(rand.NewPCG(1, 2))
	room := make([]float64, 14*rate)
	for _, at := range []float64{2.5, 3.1, 4.4, 5.2, 6.6, 7.9} {
		for i := range rate / 8 {
			room[int(at*rate)+i] += math.Exp(-float64(i)/900) * dice.NormFloat64()
		}
	}
	heard := func(from float64) []float64 {
		s := make([]float64, 9*rate)
		for i := range s {
			s[i] = 0.3*room[int(from*rate)+i] + 0.002*dice.NormFloat64()
		}
		return s
	}
	dir := t.TempDir()
	color, band, mute := filepath.Join(dir, "color.mkv"), filepath.Join(dir, "band.mkv"), filepath.Join(dir, "mute.mkv")
	clipWithSound(t, color, frames, heard(0))
	clipWithSound(t, band, frames, heard(17.3/24)) // started 17.3 frames late
	clipWithSound(t, mute, frames, nil)
	r := take.Recipe{Color: color, Band: band, Offset: take.Choice[int]{Mode: "auto"}}
	opened, err := take.OpenContext(context.Background(), r)
	if err != nil {
		t.Fatal(err)
	}
	timing := opened.Timing()
	if timing.From != "sound" || timing.Offset != -17 || timing.Sound == nil || math.Abs(timing.Sound.Late-0.3) > 0.01 {
		t.Errorf("offset %d by %s, sound %+v; want -17 by sound, 0.3 of a frame late", timing.Offset, timing.From, timing.Sound)
	}
	if w := strings.Join(timing.Warnings, "\n"); !strings.Contains(w, "0.30 of a frame late") {
		t.Errorf("warnings: %q", w)
	}
	// One camera silent: the motion is asked, and of a still test picture it tells what it can.
	r.Band = mute
	if opened, err = take.OpenContext(context.Background(), r); err == nil && opened.Timing().From == "sound" {
		t.Errorf("without sound the offset is by %s", opened.Timing().From)
	}
}

// Over ten minutes two clocks that differ by 20 parts in a million come apart by 0.29 of a frame,
// and that is told. FFmpeg's noise, played 50001/50000 as fast.
func TestDriftOfALongTake(t *testing.T) {
	tier.InTestAll(t)
	dir := t.TempDir()
	color, band := filepath.Join(dir, "color.mov"), filepath.Join(dir, "band.mov")
	for path, rate := range map[string]string{color: "50000", band: "50001"} {
		ffmpeg(t, "-f", "lavfi", "-i", "testsrc2=s=32x18:r=24:d=600", "-f", "lavfi", "-i", "anoisesrc=r=50000:seed=1:d=601,asetrate="+rate+",aresample=16000",
			"-t", "600", "-c:v", "mpeg4", "-g", "48", "-c:a", "pcm_s16le", path)
	}
	opened, err := take.OpenContext(context.Background(), take.Recipe{Color: color, Band: band, Offset: take.Choice[int]{Mode: "auto"}})
	if err != nil {
		t.Fatal(err)
	}
	defer opened.Close()
	timing := opened.Timing()
	if s := timing.Sound; timing.From != "sound" || timing.Offset != 0 || s == nil || math.Abs(s.Drift+20e-6) > 0.2e-6 || s.DriftSigma > 0.2e-6 {
		t.Errorf("offset %d by %s, sound %+v; want 0 by sound, and a drift of -2e-5", timing.Offset, timing.From, timing.Sound)
	}
	if w := strings.Join(timing.Warnings, "\n"); !strings.Contains(w, "drift by 0.29 frames over the take (20 parts in a million)") {
		t.Errorf("warnings: %q", w)
	}
}
