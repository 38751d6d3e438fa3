package page_test

import (
	"bytes"
	"encoding/xml"
	"io"
	"math"
	"strings"
	"testing"

	"example.com/twinplate/internal/app/page"
	"example.com/twinplate/rig"
)

func planOf(t *testing.T, change func(*rig.Setup)) *rig.Plan {
	t.Helper()
	s, err := rig.ParseSetup(rig.PierSetup())
	if err != nil {
		t.Fatal(err)
	}
	change(&s)
	p, err := s.Plan()
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func TestPlan(t *testing.T) {
	for _, row := range []struct {
		name   string
		change func(*rig.Setup)
		want   []string
	}{
		{"the example", func(*rig.Setup) {}, []string{"What to change", "As it should be", "Stand the performer", "172.8°", "Sodium burns", "(assumed)", "Clean plates again"}},
		{"nothing good", func(s *rig.Setup) { s.Lamps.Lumens = 50; s.Screen.Width = 1 }, []string{"This rig will not give", "fills only"}},
		{"no shutter is safe", func(s *rig.Setup) { s.FPS = 240; s.Band.Shutter = 300 }, []string{"none"}},
		{"names are text", func(s *rig.Setup) { s.Name = "<b>&"; s.Lights[0].Name = "<script>" }, []string{"&lt;b&gt;&amp;", "&lt;script&gt;"}},
		{"more lights than line styles", func(s *rig.Setup) { s.Lights = append(s.Lights, s.Lights...) }, []string{"lantern"}},
	} {
		var b bytes.Buffer
		if err := page.Plan(&b, planOf(t, row.change)); err != nil {
			t.Fatal(err)
		}
		text := b.String()
		for _, want := range row.want {
			if !strings.Contains(text, want) {
				t.Errorf("%s: the page lacks %q", row.name, want)
			}
		}
		// One file: nothing is fetched, nothing runs; and no number is missing.
		for _, bad := range []string{"http:", "https:", "src=", "<script", "url(", "@import", "NaN", "Inf", "%!"} {
			if strings.Contains(text, bad) {
				t.Errorf("%s: the page has %q", row.name, bad)
			}
		}
		if n := strings.Count(text, `role="img"`); n != 6 {
			t.Errorf("%s: %d plots", row.name, n)
		}
		// Every element is closed.
		d := xml.NewDecoder(strings.NewReader(text[strings.Index(text, "<body"):strings.Index(text, "</html>")]))
		for {
			_, err := d.Token()
			if err == io.EOF {
				break
			}
			if err != nil {
				t.Fatalf("%s: %v", row.name, err)
			}
		}
	}
}

func TestChart(t *testing.T) {
	c := page.NewChart("a & b", 0, 10, 0, 1)
	for _, row := range [][2]float64{{c.X(0), 76}, {c.X(10), 620}, {c.Y(0), c.Foot()}, {c.Y(1), 34}, {c.Y(7), 34}, {c.Y(-7), c.Foot()}} {
		if math.Abs(row[0]-row[1]) > 1e-9 {
			t.Errorf("%v, want %v", row[0], row[1])
		}
	}
	c.Line("line", [][2]float64{{0, 0}, {10, 1}})
	if got := c.SVG(); !strings.Contains(got, `aria-label="a &amp; b"`) || !strings.Contains(got, "M76.0 300.0L620.0 34.0") {
		t.Error(got)
	}
}
