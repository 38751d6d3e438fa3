package rig_test

import (
	"bytes"
	"encoding/json"
	"io"
	"math"
	"strings"
	"testing"

	"example.com/twinplate/reading"
	"example.com/twinplate/rig"
	"example.com/twinplate/rig/simulate"
)

func pier(t testing.TB) rig.Setup {
	t.Helper()
	s, err := rig.ParseSetup(rig.PierSetup())
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func planOf(t testing.TB, s rig.Setup) *rig.Plan {
	t.Helper()
	p, err := s.Plan()
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// What a rig's parts do to its plan, by the laws of optics.
func TestPlanFollowsTheLaws(t *testing.T) {
	base := planOf(t, pier(t))
	for _, row := range []struct {
		name   string
		change func(*rig.Setup)
		value  func(*rig.Plan) float64
		ratio  float64
		e      float64
	}{
		{"twice the lumens, twice the screen", func(s *rig.Setup) { s.Lamps.Lumens *= 2 }, func(p *rig.Plan) float64 { return p.ScreenLevel }, 2, 1e-9},
		{"a stop less of iris, half the screen", func(s *rig.Setup) { s.Band.Stop *= math.Sqrt2 }, func(p *rig.Plan) float64 { return p.ScreenLevel }, 0.5, 1e-9},
		{"half the shutter, half the screen", func(s *rig.Setup) { s.Band.Shutter /= 2 }, func(p *rig.Plan) float64 { return p.ScreenLevel }, 0.5, 1e-9},
		{"twice the lumens, half the transparency by set light", func(s *rig.Setup) { s.Lamps.Lumens *= 2 }, func(p *rig.Plan) float64 { return p.Lights[0].Before }, 0.5, 1e-9},
		{"twice the gain of the color camera, half of m", func(s *rig.Setup) { s.Color.Gain *= 2 }, func(p *rig.Plan) float64 { return p.Crosstalk[0] }, 0.5, 1e-9},
		{"twice the lumens, twice K", func(s *rig.Setup) { s.Lamps.Lumens *= 2 }, func(p *rig.Plan) float64 { return p.ScreenColor[0] }, 2, 1e-9},
		{"twice the lamps needed for twice the level", func(s *rig.Setup) { s.Target.Level = 0.3 }, func(p *rig.Plan) float64 { return float64(p.LampsNeeded) }, 0.5, 0.03},
		{"four times the full well at four times the light, half the noise", func(s *rig.Setup) {
			s.Band.Sensor.FullWell *= 4
			s.Color.Sensor.FullWell *= 4
			s.Lamps.Lumens *= 4
			s.Lights[0].Lux *= 4
			s.Lights[1].Lux *= 4
			s.Lights[2].Lux *= 4
		}, func(p *rig.Plan) float64 { return p.Noise.Open }, 0.5, 0.01},
		{"a gel of half over all lights, half the white", func(s *rig.Setup) {
			for i := range s.Lights {
				s.Lights[i].Filters = []rig.Filter{{Kind: "curve", Curve: rig.Spectrum{{380, 0.5}, {780, 0.5}}}}
			}
		}, func(p *rig.Plan) float64 { return p.White }, 0.5, 1e-9},
	} {
		s := pier(t)
		row.change(&s)
		if got := row.value(planOf(t, s)) / row.value(base); math.Abs(got-row.ratio) > row.e {
			t.Errorf("%s: %.5f times, want %v", row.name, got, row.ratio)
		}
	}
}

// Every mistake in a rig is named by its reading, with something to do.
func TestPlanNamesTheMistake(t *testing.T) {
	for _, row := range []struct {
		name    string
		change  func(*rig.Setup)
		reading string
		want    reading.Verdict
		says    string // in the advice
	}{
		{"far too much light", func(s *rig.Setup) { s.Band.Gain = 4 }, "band_level", reading.Bad, "Close"},
		{"far too little", func(s *rig.Setup) { s.Lamps.Lumens /= 10 }, "band_level", reading.Bad, "lamps"},
		{"a little too little", func(s *rig.Setup) { s.Lamps.Count = 4 }, "band_level", reading.Watch, "Open"},
		{"too few lamps", func(s *rig.Setup) { s.Lamps.Count = 6 }, "lamps", reading.Watch, "Add lamps"},
		{"no filter before the color camera", func(s *rig.Setup) { s.Color.Filters = nil }, "crosstalk_color", reading.Bad, "blocking"},
		{"a wide lens behind a narrow filter", func(s *rig.Setup) {
			s.Color.Focal, s.Band.Focal = 20, 19
			s.Band.Filters[0].Width = 4
			s.Screen = rig.LitScreen{Width: 13, Height: 7}
		}, "angle_band", reading.Bad, "centered long"},
		{"a wide lens behind a narrow blocking filter", func(s *rig.Setup) { s.Color.Focal = 18; s.Color.Filters[0].Width = 12 }, "angle_color", reading.Bad, "wider"},
		{"tungsten flooding the performer", func(s *rig.Setup) { s.Lights[0].Illuminant = "A"; s.Lights[0].Lux = 900 }, "crosstalk_band", reading.Watch, "589 nm"},
		{"a shutter that beats", func(s *rig.Setup) { s.Band.Shutter = 130 }, "flicker", reading.Bad, "172.8"},
		{"the performer close to the screen", func(s *rig.Setup) { s.Performer.Distance = 0.8 }, "spill", reading.Bad, "m from the screen"},
		{"six bits", func(s *rig.Setup) { s.Band.Sensor.Bits = 6 }, "codes", reading.Bad, "bits"},
		{"a small screen", func(s *rig.Setup) { s.Screen.Width, s.Screen.Height = 3, 2 }, "framing", reading.Bad, "longer lens"},
		{"a longer lens on the band camera", func(s *rig.Setup) { s.Band.Focal = 45 }, "framing", reading.Bad, "wider lens"},
		{"a coarse band camera", func(s *rig.Setup) {
			s.Band.Sensor.Width, s.Band.Sensor.Height, s.Band.Sensor.Pitch = 1600, 844, 14.1
		}, "sampling", reading.Bad, "smaller pixels"},
		{"a long fast lens", func(s *rig.Setup) { s.Color.Focal, s.Band.Focal, s.Band.Stop = 200, 190, 1.2 }, "focus", reading.Bad, "Close both"},
		{"a dim performer", func(s *rig.Setup) {
			for i := range s.Lights {
				s.Lights[i].Lux /= 8
			}
		}, "color_level", reading.Watch, "light the performer"},
		{"lamps on the screen's edge", func(s *rig.Setup) { s.Lamps.Distance, s.Lamps.Beyond, s.Lamps.Aim = 0.3, 0.05, 0.1 }, "evenness", reading.Watch, "m before the screen"},
	} {
		s := pier(t)
		row.change(&s)
		p := planOf(t, s)
		r := p.Readings.Named(row.reading)
		if r.Verdict != row.want || !strings.Contains(r.Advice, row.says) || r.Meaning == "" {
			t.Errorf("%s: %+v", row.name, r)
		}
		if p.Readings.Worst() == reading.Good || strings.Contains(p.Summary(), "good matte.") {
			t.Errorf("%s: the summary says %q", row.name, p.Summary())
		}
		// A number that JSON has no word for would spoil the whole plan.
		if _, err := json.Marshal(p); err != nil {
			t.Errorf("%s: %v", row.name, err)
		}
	}
}

// A filter centered on the line must be wider than one centered long, and the wider lens asks for
// more of it; behind a lens that sends all light upright to the sensor only the cone counts.
func TestPlanAngles(t *testing.T) {
	s := pier(t)
	p := planOf(t, s)
	on, long := p.Wanted[0], p.Wanted[1]
	if math.Abs(on.Width-2*long.Width) > 1e-9 || math.Abs(on.Center-rig.SodiumLine()) > 1e-9 || long.Center <= on.Center {
		t.Errorf("wanted: %+v", p.Wanted)
	}
	// The filter that is asked for gives the corner nine tenths of its peak.
	s.Band.Filters[0].Center, s.Band.Filters[0].Width, s.Band.Filters[0].Peak = long.Center, long.Width, 1
	f := s.Band.Filters[0]
	if got := f.Tilted(p.Corner).At(rig.SodiumLine()); math.Abs(got-0.9) > 0.01 {
		t.Errorf("the line at the corner: %.3f", got)
	}
	wide := pier(t)
	wide.Color.Focal, wide.Band.Focal = 25, 24
	wide.Screen = rig.LitScreen{Width: 12, Height: 7}
	if w := planOf(t, wide); w.Wanted[1].Width <= long.Width || w.Corner <= p.Corner {
		t.Errorf("a wider lens: %+v at %.1f degrees", w.Wanted, w.Corner)
	}
	behind := pier(t)
	behind.Band.Filters[0].Place = "behind"
	b := planOf(t, behind)
	first, last := b.Angles[0].Band, b.Angles[len(b.Angles)-1].Band
	if math.Abs(first-last) > 1e-9 {
		t.Errorf("behind the lens, upright: %v in the middle, %v far out", first, last)
	}
	behind.Band.ExitPupil = 40
	if b := planOf(t, behind); b.Angles[60].Band >= b.Angles[0].Band {
		t.Errorf("behind a lens with a near pupil: %v in the middle, %v far out", b.Angles[0].Band, b.Angles[60].Band)
	}
}

func TestParseSetup(t *testing.T) {
	change := func(old, to string) []byte {
		out := bytes.Replace(rig.PierSetup(), []byte(old), []byte(to), 1)
		if bytes.Equal(out, rig.PierSetup()) {
			t.Fatalf("the example has no %q", old)
		}
		return out
	}
	for _, row := range []struct {
		name string
		data []byte
		want string
	}{
		{"a slip of the pen", change(`"fps"`, `"ftps"`), "ftps"},
		{"not JSON", []byte("lamps"), "not as it should be"},
		{"two of them", append(rig.PierSetup(), rig.PierSetup()...), "after its end"},
		{"no frames", change(`"fps": 24`, `"fps": 0`), "fps 0"},
		{"an unknown light", change("LED-RGB1", "LED-X"), "LED-RGB1"},
		{"an unknown curve", change(`"transfer_curve": "linear"`, `"transfer_curve": "film"`), "transfer_curve"},
		{"no light", change(`"lux": 450`, `"lux": 0`), "light 1 (key)"},
		{"lamps in the air", change("top and bottom", "ceiling"), "lamps.rows"},
		{"a huge sensor", change(`"width_px": 4096`, `"width_px": 100000`), "width_px"},
		{"one channel of color", change(`"model": "color"`, `"model": "mono"`), "red, green and blue"},
		{"a filter of no kind", change(`"kind": "block"`, `"kind": "stop"`), "camera color: filter 1"},
	} {
		s, err := rig.ParseSetup(row.data)
		if err == nil {
			_, err = s.Plan()
		}
		if err == nil || !strings.Contains(err.Error(), row.want) {
			t.Errorf("%s: %v, want %q", row.name, err, row.want)
		}
	}
	if _, err := rig.ParseSetup(make([]byte, 5<<20)); err == nil {
		t.Error("5 MB were read")
	}
}

// Curves from files do what the same figures do.
func TestReadCurves(t *testing.T) {
	s := pier(t)
	want := planOf(t, s)
	var csv strings.Builder
	enc := json.NewEncoder(&csv)
	for nm := 380.0; nm <= 780; nm += 0.25 {
		if err := enc.Encode(nm); err != nil {
			t.Fatal(err)
		}
		row := strings.TrimSpace(csv.String())
		csv.Reset()
		csv.WriteString(row)
		v, err := json.Marshal(s.Band.Filters[0].At(nm))
		if err != nil {
			t.Fatal(err)
		}
		csv.WriteString("," + string(v) + "\n")
	}
	s.Band.Filters[0] = rig.Filter{Kind: "curve", File: "band.csv", Index: s.Band.Filters[0].Index}
	if _, err := s.Plan(); err == nil || !strings.Contains(err.Error(), "has not been read") {
		t.Errorf("before the file is read: %v", err)
	}
	var asked []string
	if err := s.ReadCurves(func(name string) (io.ReadCloser, error) {
		asked = append(asked, name)
		return io.NopCloser(strings.NewReader(csv.String())), nil
	}); err != nil {
		t.Fatal(err)
	}
	got := planOf(t, s)
	if len(asked) != 1 || asked[0] != "band.csv" || math.Abs(got.ScreenLevel/want.ScreenLevel-1) > 1e-3 || math.Abs(got.Crosstalk[0]/want.Crosstalk[0]-1) > 1e-3 {
		t.Errorf("%v: screen %v, want %v; m %v, want %v", asked, got.ScreenLevel, want.ScreenLevel, got.Crosstalk, want.Crosstalk)
	}
	if err := s.ReadCurves(func(string) (io.ReadCloser, error) { return io.NopCloser(strings.NewReader("nm\n")), nil }); err == nil || !strings.Contains(err.Error(), "band.csv") {
		t.Errorf("a file without a curve: %v", err)
	}
}

// The simulator's own shape of screen falls off as far as the plan's, where it stands in for it.
func TestPlanFaults(t *testing.T) {
	p := planOf(t, pier(t))
	f := p.Faults()
	const w, h = 128, 72
	f.ReadNoise, f.PhotonNoise, f.DarkLevel = 0, 0, 0
	clean := simulate.New(simulate.Cutouts{}, w, h, w, h, nil, f, 1).CleanBand()
	low, high := math.Inf(1), 0.0
	for _, v := range clean.Pix {
		low, high = min(low, float64(v)), max(high, float64(v))
	}
	if stops := math.Log2(high / low); math.Abs(stops-p.Evenness) > 0.15*p.Evenness {
		t.Errorf("from the brightest pixel to the darkest %.3f stops, planned %.3f between hundredths", stops, p.Evenness)
	}
	if f.Crosstalk != p.Crosstalk || f.ScreenLevel != p.ScreenLevel || f.ScreenColor != p.ScreenColor {
		t.Errorf("%+v", f)
	}
}
