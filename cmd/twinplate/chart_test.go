package main

import (
	"bytes"
	"encoding/binary"
	"encoding/json"
	"encoding/xml"
	"image"
	"image/color"
	"image/png"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func TestChartSVG(t *testing.T) {
	file := filepath.Join(t.TempDir(), "chart.svg")
	got := object(t, "chart", "--out", file, "--size", "A2", "--json")
	if got["columns"] != 20.0 || got["rows"] != 14.0 {
		t.Errorf("chart --json: %v", got)
	}
	data, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	var svg struct {
		Width  string `xml:"width,attr"`
		Height string `xml:"height,attr"`
		Path   struct {
			D string `xml:"d,attr"`
		} `xml:"path"`
		Circles []struct{} `xml:"circle"`
	}
	if err := xml.Unmarshal(data, &svg); err != nil {
		t.Fatal(err)
	}
	// ISO 216: A2 is 420 by 594 mm.
	if svg.Width != "594mm" || svg.Height != "420mm" {
		t.Errorf("the sheet is %s by %s", svg.Width, svg.Height)
	}
	if n := strings.Count(svg.Path.D, "M"); n != 20*14/2 || len(svg.Circles) < 60 || len(svg.Circles) > 130 {
		t.Errorf("%d black squares and %d dots", n, len(svg.Circles))
	}
}

// The printed sheet, seen by two cameras, one in a mirror: the whole way from the sheet to the geometry.
func TestChartThenRegister(t *testing.T) {
	dir := t.TempDir()
	in := func(name string) string { return filepath.Join(dir, name) }
	if code, _, errs := twinplate(t, "chart", "--out", in("chart.png"), "--size", "420x297mm", "--dpi", "30"); code != exitDone {
		t.Fatal(errs)
	}
	data, err := os.ReadFile(in("chart.png"))
	if err != nil {
		t.Fatal(err)
	}
	// 30 pixels to the inch are 1181.1 to the meter.
	if i := bytes.Index(data, []byte("pHYs")); i < 0 || binary.BigEndian.Uint32(data[i+4:]) != 1181 || data[i+12] != 1 {
		t.Error("the PNG does not say its resolution")
	}
	m, err := png.Decode(bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	w, h := m.Bounds().Dx(), m.Bounds().Dy()
	if w != 496 || h != 351 {
		t.Errorf("420 x 297 mm at 30 to the inch: %d x %d pixels", w, h)
	}
	mirrored := image.NewGray(m.Bounds())
	for y := range h {
		for x := range w {
			// Two pixels higher up, too.
			mirrored.Set(x, y, color.GrayModel.Convert(m.At(w-1-x, min(y+2, h-1))))
		}
	}
	var b bytes.Buffer
	if err := png.Encode(&b, mirrored); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(in("band.png"), b.Bytes(), 0o666); err != nil {
		t.Fatal(err)
	}
	got := object(t, "register", "--chart-color", in("chart.png"), "--chart-band", in("band.png"), "--out", in("geometry.json"), "--json")
	if got["mirror"] != true || got["model"] != "chart" || !(got["residual_px"].(float64) < 0.1) || !(got["sigma_px"].(float64) < 0.1) || got["corners"].(float64) != 19*13 {
		t.Errorf("register: %v", got)
	}
	var file struct {
		Points []struct{ Color, Band [2]float64 }
	}
	if data, err = os.ReadFile(in("geometry.json")); err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(data, &file); err != nil {
		t.Fatal(err)
	}
	for _, p := range file.Points {
		if dx, dy := p.Band[0]-(float64(w-1)-p.Color[0]), p.Band[1]-(p.Color[1]-2); dx*dx+dy*dy > 0.1*0.1 {
			t.Errorf("%v goes to %v", p.Color, p.Band)
		}
	}
	if code, out, errs := twinplate(t, "register", "--chart-color", in("chart.png"), "--chart-band", in("band.png"), "--out", in("again.json")); code != exitDone || !strings.Contains(out, "247 corners") {
		t.Errorf("exit code %d: %s%s", code, out, errs)
	}
}

func TestChartUsage(t *testing.T) {
	for _, args := range [][]string{
		{"chart"},
		{"chart", "--out", "x.gif"},
		{"chart", "--out", "x.svg", "--size", "B5"},
		{"chart", "--out", "x.svg", "--size", "10x10"},
		{"chart", "--out", "x.png", "--dpi", "1e6"},
		{"chart", "--out", "x.svg", "--square", "90"},
		{"register", "--out", "x", "--chart-color", "a"},
		{"register", "--out", "x", "--chart-color", "a", "--chart-band", "b", "--color", "c"},
	} {
		if code, _, errs := twinplate(t, args...); code != exitUsage || errs == "" {
			t.Errorf("%v: exit code %d, %q", args, code, errs)
		}
	}
}
