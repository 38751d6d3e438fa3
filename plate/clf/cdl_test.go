package clf_test

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"example.com/twinplate/plate"
	"example.com/twinplate/plate/clf"
)

func grades() []clf.Correction {
	a, b := plate.NewCDL(), plate.NewCDL()
	a.Slope, a.Offset, a.Power, a.Saturation = [3]float64{1.1, 0.9, 1}, [3]float64{0.01, 0, -0.02}, [3]float64{1.2, 1, 0.9}, 0.8
	b.Slope[2] = 1. / 3
	return []clf.Correction{{ID: "foreground", Description: "ferry & rope <warm>", CDL: a}, {ID: "background", CDL: b}}
}

func TestCDLFilesComeBack(t *testing.T) {
	for _, name := range []string{"a.cc", "a.ccc", "a.cdl"} {
		path := filepath.Join(t.TempDir(), name)
		want := grades()
		if name == "a.cc" {
			if err := clf.WriteCDL(path, want); err == nil || !strings.Contains(err.Error(), ".ccc or .cdl") {
				t.Errorf("two in a .cc: %v", err)
			}
			want = want[:1]
		}
		if err := clf.WriteCDL(path, want); err != nil {
			t.Fatal(err)
		}
		got, err := clf.ReadCDL(path)
		if err != nil || len(got) != len(want) {
			t.Fatalf("%s: %v, %v", name, got, err)
		}
		for i := range got {
			if got[i] != want[i] {
				t.Errorf("%s: %+v comes back as %+v", name, want[i], got[i])
			}
		}
	}
}

func TestReadCDLRefuses(t *testing.T) {
	const sop = `<SOPNode><Slope>1 1 1</Slope><Offset>0 0 0</Offset><Power>1 1 1</Power></SOPNode>`
	for _, row := range []struct{ text, want string }{
		{``, "an empty file"}, {`TITLE`, "not an ASC CDL"}, {`<ProcessList/>`, "must be <ColorCorrection>"},
		{`<ColorCorrectionCollection/>`, "there is no <ColorCorrection>"},
		{`<ColorDecisionList><ColorDecision><ColorCorrectionRef ref="x"/></ColorDecision></ColorDecisionList>`, "there is no <ColorCorrection>"},
		{`<ColorCorrection id="x">` + strings.Replace(sop, "1 1 1", "1 1", 1) + `</ColorCorrection>`, `<ColorCorrection> "x": <Slope> has 2 numbers`},
		{`<ColorCorrection>` + strings.Replace(sop, "<Power>1 1 1</Power>", "", 1) + `</ColorCorrection>`, "no <Power>"},
		{`<ColorCorrection>` + strings.Replace(sop, "<Power>1", "<Power>-1", 1) + `</ColorCorrection>`, "power of red is -1"},
		{`<ColorCorrection><SatNode/></ColorCorrection>`, "no <Saturation>"},
	} {
		if got, err := clf.ParseCDL(strings.NewReader(row.text)); err == nil || !strings.Contains(err.Error(), row.want) {
			t.Errorf("%s: %v, %v; want an error that says %q", row.text, got, err, row.want)
		}
	}
	if _, err := clf.ReadCDL(t.TempDir()); err == nil {
		t.Error("a folder is read")
	}
}

func ExampleReadCDL() {
	path := filepath.Join(os.TempDir(), "twinplate-example.cc")
	defer os.Remove(path)
	look := plate.NewCDL()
	look.Slope[0] = 1.2
	if err := clf.WriteCDL(path, []clf.Correction{{ID: "pier", CDL: look}}); err != nil {
		fmt.Println(err)
		return
	}
	all, err := clf.ReadCDL(path)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(all[0].ID, all[0].Slope)
	// Output: pier [1.2 1 1]
}
