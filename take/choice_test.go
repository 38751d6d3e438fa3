package take_test

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"example.com/twinplate/align"
	"example.com/twinplate/take"
)

// What a recipe's file can have in the fields that are a choice is read, and written the same.
func TestChoicesComeBack(t *testing.T) {
	geometry, err := json.Marshal(align.Identity(64, 36))
	if err != nil {
		t.Fatal(err)
	}
	for _, row := range []struct {
		field string
		texts []string
	}{
		{"offset", []string{`12`, `-3`}},
		{"geometry", []string{`"g.json"`, string(geometry)}},
		{"lateral_color", []string{`[0.0005,-0.00031]`}},
		{"match_softness", []string{`1.25`, `-0.5`}},
		{"crosstalk", []string{`[0.03,0,0.01]`}},
		{"gain", []string{`{"3":0.98,"4":1.02}`}},
		{"glare", []string{`{"strength":0.02,"sigma":0.001}`}},
	} {
		for _, text := range append(row.texts, `"auto"`, `"none"`) {
			var r take.Recipe
			if err := json.Unmarshal([]byte(`{"`+row.field+`":`+text+`}`), &r); err != nil {
				t.Errorf("%s %s: %v", row.field, text, err)
				continue
			}
			back, err := json.Marshal(r)
			if want := `{"version":0,"` + row.field + `":` + text; err != nil || !strings.HasPrefix(string(back), want) || r.Check() != nil {
				t.Errorf("%s %s comes back as %s (%v, %v)", row.field, text, back, err, r.Check())
			}
		}
	}
	if data, err := json.Marshal(take.Recipe{}); err != nil || string(data) != `{"version":0}` {
		t.Errorf("a recipe that asks for nothing has %s (%v)", data, err)
	}
}

// Whatever else stands there, the error names the field and what it must be.
func TestChoicesThatAreWrong(t *testing.T) {
	for _, row := range []struct{ field, text, want string }{
		{"offset", `1.5`, "a whole number"},
		{"offset", `"soon"`, `"soon"`},
		{"offset", `{}`, "a whole number"},
		{"offset", `true`, "a whole number"},
		{"geometry", `[1]`, "a file"},
		{"geometry", `7`, "a file"},
		{"geometry", `{"color_size":[4,4],"band_size":[4,4],"homography":[0,0,0,0,0,0,0,0,1]}`, "singular"},
		{"lateral_color", `"some"`, "two numbers"},
		{"lateral_color", `[0.1,0]`, "0.01"},
		{"lateral_color", `[0.001]`, "two numbers"},
		{"lateral_color", `"nan,0"`, "two numbers"},
		{"match_softness", `6`, "-5 to 5"},
		{"match_softness", `"nan"`, "a number of pixels"},
		{"match_softness", `[1,2]`, "a number of pixels"},
		{"crosstalk", `[1,2]`, "three numbers"},
		{"crosstalk", `[0.1,0.2,0.3,0.4]`, "three numbers"},
		{"crosstalk", `[1,2,0]`, "between -1 and 1"},
		{"gain", `"brighter"`, "by frame number"},
		{"gain", `{"4":0}`, "gain of frame 4 is 0"},
		{"glare", `"much"`, "0 to 0.5"},
		{"glare", `{"strength":0.7}`, "0 to 0.5"},
		{"glare", `{"strength":-0.1}`, "0 to 0.5"},
	} {
		path := filepath.Join(t.TempDir(), "r.json")
		if err := os.WriteFile(path, []byte(`{"version":1,"`+row.field+`":`+row.text+`}`), 0o666); err != nil {
			t.Fatal(err)
		}
		_, err := take.ReadRecipe(path)
		if err == nil || !strings.HasPrefix(err.Error(), path+": ") || !strings.Contains(err.Error(), row.want) || !strings.Contains(err.Error(), row.field) {
			t.Errorf("%s %s: %v, want the file, the field and %q", row.field, row.text, err, row.want)
		}
	}
	// A program can fill in what no file can have.
	for _, r := range []take.Recipe{{Geometry: take.Given(align.Geometry{})}, {Geometry: take.Choice[align.Geometry]{Mode: "file"}}, {Offset: take.Choice[int]{Mode: "often"}}} {
		if r.Check() == nil {
			t.Errorf("%+v passes the check", r)
		}
	}
}
