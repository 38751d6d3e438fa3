package rig

import (
	"bytes"
	"cmp"
	_ "embed"
	"encoding/json"
	"fmt"
	"io"
)

// A Setup is a rig as a crew would describe it before the day: what Plan needs to know. It is read
// from a small JSON file (ParseSetup); PierSetup is one to begin with.
//
// Lengths are in meters where nothing else is said. What is left out of the file is taken as
// assumed, and the plan lists what that was.
type Setup struct {
	Name      string     `json:"name,omitempty"`
	FPS       float64    `json:"fps"`
	Mains     float64    `json:"mains_hz"` // 50 or 60
	Distance  float64    `json:"camera_to_performer_m"`
	Screen    LitScreen  `json:"screen"`
	Lamps     Lamps      `json:"lamps"`
	Performer Performer  `json:"performer"`
	Lights    []SetLight `json:"lights"`
	Splitter  Splitter   `json:"splitter"`
	Color     Camera     `json:"color"`
	Band      Camera     `json:"band"`
	Target    Target     `json:"target,omitzero"`
}

// A LitScreen is the lit screen: it scatters light evenly to all sides.
type LitScreen struct {
	Width       float64 `json:"width_m"`
	Height      float64 `json:"height_m"`
	Reflectance float64 `json:"reflectance,omitempty"` // 0: 0.8
}

// A Performer is who stands before the screen.
type Performer struct {
	Distance    float64 `json:"to_screen_m"`
	Cover       float64 `json:"cover,omitempty"`       // the part of the frame that they hide; 0: 0.25
	Reflectance float64 `json:"reflectance,omitempty"` // of their costume, in the mean; 0: 0.3
	Flags       float64 `json:"flags,omitempty"`       // how much of the screen's light flags keep off their sides, 0 to 1
}

// A SetLight is light on the performer.
type SetLight struct {
	Name       string   `json:"name"`
	Illuminant string   `json:"illuminant,omitempty"` // a name that Illuminant knows; empty: by Curve
	Curve      Spectrum `json:"curve,omitempty"`      // relative power for each nanometer
	File       string   `json:"curve_file,omitempty"` // a CSV file to read Curve from: see Setup.ReadCurves
	Lux        float64  `json:"lux"`                  // on the performer
	Filters    []Filter `json:"filters,omitempty"`    // before it; the lux are measured without them
}

// A Splitter is the beam splitter: how much of the light goes to each camera.
type Splitter struct {
	Color float64 `json:"to_color"`
	Band  float64 `json:"to_band"`
}

// A Target is what the plan is held against. The zero value means the defaults.
type Target struct {
	Level float64 `json:"level,omitempty"`   // of the screen in the band camera, of full scale; 0: 0.6
	Alpha float64 `json:"alpha,omitempty"`   // error of alpha by noise, codes and spill, root of the mean square; 0: 0.01
	Edge  float64 `json:"edge,omitempty"`    // error of alpha at an edge, at its largest; 0: 0.05
	Blur  float64 `json:"blur_px,omitempty"` // of the color plate: sigma of a Gaussian; 0: 0.8
}

const (
	assumedScreen      = 0.8
	assumedCover       = 0.25
	assumedReflectance = 0.3
)

func (s Setup) filled() Setup {
	s.Screen.Reflectance = cmp.Or(s.Screen.Reflectance, assumedScreen)
	s.Performer.Cover = cmp.Or(s.Performer.Cover, assumedCover)
	s.Performer.Reflectance = cmp.Or(s.Performer.Reflectance, assumedReflectance)
	s.Target.Level = cmp.Or(s.Target.Level, 0.6)
	s.Target.Alpha = cmp.Or(s.Target.Alpha, 0.01)
	s.Target.Edge = cmp.Or(s.Target.Edge, 0.05)
	s.Target.Blur = cmp.Or(s.Target.Blur, 0.8)
	s.Lamps = s.Lamps.filled()
	return s
}

//go:embed data/pier.json
var pierSetup []byte

// PierSetup returns the file of an example: the rig of the demo's scene, a pier at night on a
// stage.
func PierSetup() []byte { return bytes.Clone(pierSetup) }

const maxSetup = 4 << 20 // bytes

// ParseSetup reads a setup from JSON. A field that no setup has is an error, since it may be a slip
// of the pen. The values are checked by Check, which Plan calls.
func ParseSetup(data []byte) (Setup, error) {
	var s Setup
	if len(data) > maxSetup {
		return s, fmt.Errorf("rig: a setup of %d bytes: it must be %d or less", len(data), maxSetup)
	}
	d := json.NewDecoder(bytes.NewReader(data))
	d.DisallowUnknownFields()
	if err := d.Decode(&s); err != nil {
		return s, fmt.Errorf("rig: the setup is not as it should be: %w", err)
	}
	if _, err := d.Token(); err != io.EOF {
		return s, fmt.Errorf("rig: the setup has something after its end")
	}
	return s, nil
}

// ReadCurves reads the CSV files that the setup names (curve_file, curve_files), as ReadSpectrum
// does, and keeps their tables in it. Without such names it does nothing. The error names the file.
func (s *Setup) ReadCurves(open func(name string) (io.ReadCloser, error)) error {
	read := func(name string, to *Spectrum) error {
		if name == "" {
			return nil
		}
		f, err := open(name)
		if err != nil {
			return err
		}
		defer f.Close()
		if *to, err = ReadSpectrum(f); err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
		return nil
	}
	filters := [][]Filter{s.Color.Filters, s.Band.Filters}
	for i := range s.Lights {
		if err := read(s.Lights[i].File, &s.Lights[i].Curve); err != nil {
			return err
		}
		filters = append(filters, s.Lights[i].Filters)
	}
	for _, list := range filters {
		for i := range list {
			if err := read(list[i].File, &list[i].Curve); err != nil {
				return err
			}
		}
	}
	for _, sensor := range []*Sensor{&s.Color.Sensor, &s.Band.Sensor} {
		if len(sensor.Files) == 0 {
			continue
		}
		sensor.Curves = make([]Spectrum, len(sensor.Files))
		for i, name := range sensor.Files {
			if err := read(name, &sensor.Curves[i]); err != nil {
				return err
			}
		}
	}
	return nil
}

// Check returns an error that names the first field with a value that cannot be used, and what
// would be right.
func (s Setup) Check() error {
	f := s.filled()
	if err := ranges([]limit{
		{"fps", f.FPS, 1, 1000}, {"mains_hz", f.Mains, 40, 70}, {"camera_to_performer_m", f.Distance, 0.2, 200},
		{"screen.width_m", f.Screen.Width, 0.1, 100}, {"screen.height_m", f.Screen.Height, 0.1, 100}, {"screen.reflectance", f.Screen.Reflectance, 0.01, 1},
		{"performer.to_screen_m", f.Performer.Distance, 0.1, 100}, {"performer.cover", f.Performer.Cover, 0, 1},
		{"performer.reflectance", f.Performer.Reflectance, 0.001, 1}, {"performer.flags", f.Performer.Flags, 0, 1},
		{"splitter.to_color", f.Splitter.Color, 0.001, 1}, {"splitter.to_band", f.Splitter.Band, 0.001, 1},
		{"target.level", f.Target.Level, 0.01, 1}, {"target.alpha", f.Target.Alpha, 1e-5, 0.5},
		{"target.edge", f.Target.Edge, 1e-3, 0.5}, {"target.blur_px", f.Target.Blur, 0.1, 20},
	}); err != nil {
		return fmt.Errorf("rig: %w", err)
	}
	if err := f.Lamps.check(); err != nil {
		return fmt.Errorf("rig: lamps.%w", err)
	}
	if n := len(f.Lights); n < 1 || n > 64 {
		return fmt.Errorf("rig: lights has %d: it must have 1 to 64, the light on the performer", n)
	}
	for i, l := range f.Lights {
		if _, err := l.light(); err != nil {
			return fmt.Errorf("rig: light %d (%s): %w", i+1, l.Name, err)
		}
	}
	for _, c := range []struct {
		name string
		Camera
	}{{"color", f.Color}, {"band", f.Band}} {
		if err := c.check(); err != nil {
			return fmt.Errorf("rig: camera %s: %w", c.name, err)
		}
	}
	if len(f.Color.Sensor.channels()) != 3 {
		return fmt.Errorf("rig: camera color: sensor.model %q with one channel: it must have red, green and blue", f.Color.Sensor.Model)
	}
	return nil
}

// light returns the light that falls on the performer, in W/(m2 nm).
func (l SetLight) light() (Light, error) {
	if err := ranges([]limit{{"lux", l.Lux, 0.01, 1e6}}); err != nil {
		return Light{}, err
	}
	source := Light{Spectrum: l.Curve}
	switch {
	case l.Illuminant != "":
		var err error
		if source, err = Illuminant(l.Illuminant); err != nil {
			return Light{}, err
		}
	case len(l.Curve) == 0 && l.File != "":
		return Light{}, fmt.Errorf("curve_file %q has not been read", l.File)
	default:
		if err := l.Curve.Check(); err != nil {
			return Light{}, fmt.Errorf("curve: %w (or name an illuminant)", err)
		}
	}
	if source.Lumens() <= 0 {
		return Light{}, fmt.Errorf("curve: it has no visible light")
	}
	source = source.ofLumens(l.Lux)
	if len(l.Filters) == 0 {
		return source, nil
	}
	if err := checkFilters(l.Filters); err != nil {
		return Light{}, err
	}
	return Light{Spectrum: table(source.Spectrum, stack{filters: l.Filters})}, nil
}

// table returns the product of curves as a table, over 380 to 780 nm in the steps that light is
// summed up by.
func table(curves ...Distribution) Spectrum {
	out := make(Spectrum, 0, int((lastNM-firstNM)/stepNM)+1)
	for nm := float64(firstNM); nm <= lastNM; nm += stepNM {
		out = append(out, [2]float64{nm, product(curves, nm)})
	}
	return out
}
