package rig_test

import (
	"encoding/json"
	"io"
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"example.com/twinplate/rig"
)

// Whatever a table of a curve holds, what is read from it passes Check and has values between those
// of its rows.
func FuzzReadSpectrum(f *testing.F) {
	for _, s := range []string{"", "400,0.1\n500,0.9\n", "nm,T\n400,1\n401,1\n# end\n", "\ufeff400;1", "400,1,9\n500,2,9\n", "\"400\",\"1\"\r\n500,1", "400,1e12\n4999,0", "400,NaN\n500,Inf"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		s, err := rig.ReadSpectrum(strings.NewReader(text))
		if err != nil {
			return
		}
		if err := s.Check(); err != nil {
			t.Fatal(err)
		}
		most := 0.0
		for _, row := range s {
			most = max(most, row[1])
		}
		for nm := 90.0; nm < 5010; nm += 60.7 {
			if v := s.At(nm); !(v >= 0 && v <= most) {
				t.Fatalf("%v at %v nm, and no row is above %v", v, nm, most)
			}
		}
		if v := (rig.Light{Spectrum: s}).Through(); !(v >= 0) || math.IsInf(v, 0) {
			t.Fatalf("light %v", v)
		}
	})
}

// A sensor a thousand times as high as wide is planned with a map of no more than 256 rows.
func TestPlanOfATallSensor(t *testing.T) {
	s, err := rig.ParseSetup(rig.PierSetup())
	if err != nil {
		t.Fatal(err)
	}
	s.Color.Sensor.Width, s.Color.Sensor.Height = 16, 16384
	p, err := s.Plan()
	if err != nil || p.Map.H != 256 || len(p.Map.S) != 64*256 {
		t.Fatalf("%d rows, %v", p.Map.H, err)
	}
}

var number = regexp.MustCompile(`-?[0-9.]+(e[0-9]+)?`)

// Whatever a setup's file holds, it is read and planned, or refused with an error; a plan has no
// number that JSON lacks. With at above 0, the at-th number of the file is another one first.
func FuzzParseSetup(f *testing.F) {
	f.Add(rig.PierSetup(), uint8(0), 0.0)
	f.Add([]byte(`{"fps":24} {}`), uint8(0), 0.0)
	f.Add([]byte(`{"lights":[{"curve":[[400,1],[500,1]],"lux":1,"filters":[{"curve_file":"a.csv"}]}]}`), uint8(0), 0.0)
	f.Add(rig.PierSetup(), uint8(7), 1e6)
	f.Fuzz(func(t *testing.T, file []byte, at uint8, value float64) {
		n := 0
		file = number.ReplaceAllFunc(file, func(old []byte) []byte {
			if n++; n == int(at) {
				return strconv.AppendFloat(nil, value, 'g', -1, 64)
			}
			return old
		})
		s, err := rig.ParseSetup(file)
		if err != nil {
			return
		}
		if err := s.ReadCurves(func(string) (io.ReadCloser, error) {
			return io.NopCloser(strings.NewReader("300,0.5\n900,0.5\n")), nil
		}); err != nil {
			t.Fatal(err)
		}
		plan, err := s.Plan()
		if err != nil {
			return
		}
		if _, err := json.Marshal(plan); err != nil {
			t.Fatal(err)
		}
		_ = plan.Summary()
	})
}
