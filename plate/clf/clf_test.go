package clf_test

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"example.com/twinplate/plate"
	"example.com/twinplate/plate/clf"
)

// wrapped is a file of one process node.
func wrapped(node string) string {
	return `<ProcessList id="t" compCLFversion="3.0">` + node + `</ProcessList>`
}

func TestParseRefuses(t *testing.T) {
	const depths = ` inBitDepth="32f" outBitDepth="32f"`
	for _, row := range []struct{ what, text, want string }{
		{"an empty file", "", "an empty file"},
		{"another kind of text", "TITLE x", "not a CLF transform"},
		{"another kind of XML", "<svg/>", "its root is <svg>"},
		{"a file cut short", `<ProcessList id="t"><Matrix`, "not a CLF transform: XML syntax error"},
		{"no node", wrapped(""), "no process node"},
		{"a node that there is not", wrapped(`<Sharpen` + depths + `/>`), "process node 1, <Sharpen>: not a process node of the format"},
		{"no depth", wrapped(`<Range><minInValue>0</minInValue></Range>`), "it has no inBitDepth"},
		{"an odd depth", wrapped(`<Range inBitDepth="9i" outBitDepth="32f"/>`), `inBitDepth is "9i", and must be 8i`},
		{"a range of one side", wrapped(`<Range` + depths + `><minInValue>0</minInValue></Range>`), "minInValue and minOutValue"},
		{"a range that falls", wrapped(`<Range` + depths + `><minInValue>1</minInValue><maxInValue>0</maxInValue><minOutValue>0</minOutValue><maxOutValue>1</maxOutValue></Range>`), "the larger must be the second"},
		{"a matrix of two rows", wrapped(`<Matrix` + depths + `><Array dim="2 3">1 0 0 0 1 0</Array></Matrix>`), "must be 3 3 or 3 4"},
		{"a matrix with a number too few", wrapped(`<Matrix` + depths + `><Array dim="3 3">1 0 0 0 1 0 0 0</Array></Matrix>`), "has 8 numbers, and must have 9"},
		{"a matrix that is not finite", wrapped(`<Matrix` + depths + `><Array dim="3 3">1 0 0 0 NaN 0 0 0 1</Array></Matrix>`), `number 5 is "NaN"`},
		{"a table without end", wrapped(`<LUT1D` + depths + `><Array dim="99999999 1"></Array></LUT1D>`), "whole numbers from 1 to 1048576"},
		{"a cube without end", wrapped(`<LUT3D` + depths + `><Array dim="2000 2000 2000 3"></Array></LUT3D>`), "too large"},
		{"a cube with unequal edges", wrapped(`<LUT3D` + depths + `><Array dim="2 2 3 3">` + strings.Repeat("0 ", 36) + `</Array></LUT3D>`), "three times one number"},
		{"a table of half floats with few rows", wrapped(`<LUT1D` + depths + ` halfDomain="true"><Array dim="2 1">0 1</Array></LUT1D>`), "must have 65536"},
		{"half floats that are none", wrapped(`<LUT1D` + depths + ` rawHalfs="true"><Array dim="2 1">0 0.5</Array></LUT1D>`), "must be the bits of a half float"},
		{"an index map", wrapped(`<LUT1D` + depths + `><IndexMap dim="2">0@0 1023@1</IndexMap><Array dim="2 1">0 1</Array></LUT1D>`), "IndexMap"},
		{"a logarithm of another kind", wrapped(`<Log` + depths + ` style="ln"/>`), `style is "ln"`},
		{"a camera's logarithm without its break", wrapped(`<Log` + depths + ` style="cameraLinToLog"><LogParams base="10"/></Log>`), "no linSideBreak"},
		{"a logarithm of base 1", wrapped(`<Log` + depths + ` style="linToLog"><LogParams base="1"/></Log>`), "base must be above 0 and not 1"},
		{"an exponent of 0", wrapped(`<Exponent` + depths + ` style="basicFwd"><ExponentParams exponent="0"/></Exponent>`), "must be 0.01 to 100"},
		{"no exponent", wrapped(`<Exponent` + depths + ` style="basicFwd"/>`), "no <ExponentParams> for R"},
		{"a CDL with a negative slope", wrapped(`<ASC_CDL` + depths + `><SOPNode><Slope>1 -1 1</Slope><Offset>0 0 0</Offset><Power>1 1 1</Power></SOPNode></ASC_CDL>`), "the slope of green is -1"},
		{"a CDL with no way back", wrapped(`<ASC_CDL` + depths + ` style="Rev"><SatNode><Saturation>0</Saturation></SatNode></ASC_CDL>`), "no way back"},
	} {
		if _, err := clf.Parse(strings.NewReader(row.text)); err == nil || !strings.Contains(err.Error(), row.want) {
			t.Errorf("%s: %v\nwant %q in it", row.what, err, row.want)
		}
	}
	path := filepath.Join(t.TempDir(), "no.clf")
	if _, err := clf.Read(path); err == nil || err.Error() != path+": no such file or directory" {
		t.Errorf("a missing file: %v", err)
	}
}

// A node with bypass changes nothing, and NaN stays NaN: it is found later, with its place.
func TestBypassAndNaN(t *testing.T) {
	nan := float32(math.NaN())
	for _, row := range []struct {
		node string
		kept bool
	}{
		{`<Range bypass="true" inBitDepth="32f" outBitDepth="32f"><minInValue>0</minInValue><minOutValue>5</minOutValue></Range>`, true},
		{`<LUT1D inBitDepth="32f" outBitDepth="32f"><Array dim="2 1">0 0.5</Array></LUT1D>`, false},
		{`<LUT3D inBitDepth="32f" outBitDepth="32f"><Array dim="2 2 2 3">` + strings.Repeat("0.25 ", 24) + `</Array></LUT3D>`, false},
		{`<Log inBitDepth="32f" outBitDepth="32f" style="log2"/>`, false},
		{`<Exponent inBitDepth="32f" outBitDepth="32f" style="basicFwd"><ExponentParams exponent="2"/></Exponent>`, false},
	} {
		transform, err := clf.Parse(strings.NewReader(wrapped(row.node)))
		if err != nil {
			t.Fatal(err)
		}
		r, g, b := []float32{nan, 0.7}, []float32{nan, 0.7}, []float32{nan, 0.7}
		transform.Row(r, g, b)
		if r[0] == r[0] || g[0] == g[0] || b[0] == b[0] {
			t.Errorf("%.30s: NaN became %v, %v, %v", row.node, r[0], g[0], b[0])
		}
		if kept := r[1] == 0.7; kept != row.kept {
			t.Errorf("%.30s: 0.7 became %v", row.node, r[1])
		}
	}
}

func FuzzParse(f *testing.F) {
	f.Add(wrapped(`<Matrix inBitDepth="32f" outBitDepth="32f"><Array dim="3 3">1 0 0 0 1 0 0 0 1</Array></Matrix>`))
	f.Add(wrapped(`<LUT1D inBitDepth="8i" outBitDepth="16f" halfDomain="false"><Array dim="2 3">0 0 0 1 1 1</Array></LUT1D>`))
	f.Add(wrapped(`<LUT3D inBitDepth="8i" outBitDepth="16f" interpolation="tetrahedral"><Array dim="2 2 2 3">` + strings.Repeat("0.25 ", 24) + `</Array></LUT3D>`))
	f.Add(wrapped(`<Log inBitDepth="16f" outBitDepth="32f" style="cameraLogToLin"><LogParams base="10" linSideBreak="0.1"/></Log>`))
	f.Add(wrapped(`<Exponent inBitDepth="16f" outBitDepth="32f" style="monCurveRev"><ExponentParams exponent="2.4" offset="0.05"/></Exponent>`))
	f.Add(wrapped(`<ASC_CDL inBitDepth="16f" outBitDepth="32f"><SatNode><Saturation>0.5</Saturation></SatNode></ASC_CDL>`))
	f.Fuzz(func(t *testing.T, text string) {
		transform, err := clf.Parse(strings.NewReader(text))
		if err != nil {
			return
		}
		odd := []float32{0, 1, -1, 1e30, -1e30, float32(math.Inf(1)), float32(math.NaN()), 1e-30}
		transform.Row(append([]float32(nil), odd...), append([]float32(nil), odd...), append([]float32(nil), odd...))
	})
}

func ExampleRead() {
	dir, err := os.MkdirTemp("", "")
	if err != nil {
		fmt.Println(err)
		return
	}
	defer os.RemoveAll(dir)
	path := filepath.Join(dir, "display.clf")
	// The way back from a display's power of 2.4.
	text := wrapped(`<Exponent inBitDepth="32f" outBitDepth="32f" style="basicFwd"><ExponentParams exponent="2.4"/></Exponent>`)
	if err := os.WriteFile(path, []byte(text), 0o666); err != nil {
		fmt.Println(err)
		return
	}
	t, err := clf.Read(path)
	if err != nil {
		fmt.Println(err)
		return
	}
	f := plate.NewRGB(1, 1)
	f.Fill(0.5, 0.75, 1)
	t.Frame(f)
	fmt.Printf("%.4f %.4f %.4f\n", f.Pix[0][0], f.Pix[1][0], f.Pix[2][0])
	// Output: 0.1895 0.5014 1.0000
}
