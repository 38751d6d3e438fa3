package rig_test

import (
	"encoding/json"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"example.com/twinplate/rig"
)

// Whatever a table of a curve holds, what is read from it passes Check and has values between those of its rows.
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
		if v := s.Integral(); !(v >= 0) || math.IsInf(v, 0) {
			t.Fatalf("integral %v", v)
		}
	})
}

// Whatever a setup's file holds, it is read and planned, or refused with an error; a plan has no number that JSON lacks.
func FuzzParseSetup(f *testing.F) {
	f.Add(rig.PierSetup())
	paths, err := filepath.Glob("data/*.json")
	if err != nil || len(paths) == 0 {
		f.Fatal("no files to begin with: ", err)
	}
	for _, p := range paths {
		b, err := os.ReadFile(p)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(b)
	}
	f.Add([]byte(`{"fps":24} {}`))
	f.Add([]byte(`{"lights":[{"curve":[[400,1],[500,1]],"lux":1,"filters":[{"curve_file":"a.csv"}]}]}`))
	f.Fuzz(func(t *testing.T, file []byte) {
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
