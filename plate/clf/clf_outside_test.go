//go:build !js

package clf_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"example.com/twinplate/composite"
	"example.com/twinplate/internal/test/outside"
	"example.com/twinplate/plate/clf"
)

// process wraps process nodes in a file of the format's version 3.
func process(nodes string) string {
	return `<?xml version="1.0" encoding="UTF-8"?>
<ProcessList compCLFversion="3.0" id="test" name="a test" xmlns="urn:AMPAS:CLF:v3.0">
<Description>made by a test</Description>
` + nodes + `
</ProcessList>`
}

// tableText returns n rows of c rising numbers up to most, with a bend.
func tableText(n, c int, most float64) string {
	var b strings.Builder
	for i := range n {
		for j := range c {
			fmt.Fprintf(&b, "%.7g ", most*math.Pow(float64(i)/float64(n-1), 1.5+0.3*float64(j)))
		}
		b.WriteByte('\n')
	}
	return b.String()
}

func cubeText(n int, r *rand.Rand) string {
	var b strings.Builder
	for range n * n * n {
		fmt.Fprintf(&b, "%.6f %.6f %.6f\n", r.Float64(), r.Float64(), r.Float64())
	}
	return b.String()
}

func halfText() string {
	var b strings.Builder
	for i := range 1 << 16 {
		switch x := i & 0x7fff; {
		case x >= 0x7c00:
			fmt.Fprintln(&b, "1")
		case i < 0x8000:
			fmt.Fprintf(&b, "%.8g\n", math.Sqrt(float64(x))/200)
		default:
			fmt.Fprintf(&b, "%.8g\n", -math.Sqrt(float64(x))/200)
		}
	}
	return b.String()
}

func transforms() map[string]string {
	r := rand.New(rand.NewPCG(1, 2))
	node := func(name, attrs, inside string) string {
		return fmt.Sprintf(`<%s inBitDepth="32f" outBitDepth="32f" %s>%s</%[1]s>`, name, attrs, inside)
	}
	deep := func(name, in, out, attrs, inside string) string {
		return fmt.Sprintf(`<%s inBitDepth="%s" outBitDepth="%s" %s>%s</%[1]s>`, name, in, out, attrs, inside)
	}
	all := map[string]string{
		"matrix":        node("Matrix", "", `<Array dim="3 3">0.9 0.1 0  -0.05 1 0.05  0.02 0.01 0.97</Array>`),
		"matrix offset": deep("Matrix", "10i", "12i", "", `<Array dim="3 4">3.9 0.1 0 12  -0.05 4 0.05 -7  0.02 0.01 4.1 0</Array>`),
		"table":         deep("LUT1D", "10i", "10i", "", `<Array dim="33 3">`+tableText(33, 3, 1023)+`</Array>`),
		"gray table":    deep("LUT1D", "8i", "16f", "", `<Array dim="256 1">`+tableText(256, 1, 1)+`</Array>`),
		"half table":    deep("LUT1D", "16f", "32f", `halfDomain="true"`, `<Array dim="65536 1">`+halfText()+`</Array>`),
		"cube":          deep("LUT3D", "10i", "32f", "", `<Array dim="5 5 5 3">`+cubeText(5, r)+`</Array>`),
		"tetrahedral":   deep("LUT3D", "10i", "32f", `interpolation="tetrahedral"`, `<Array dim="7 7 7 3">`+cubeText(7, r)+`</Array>`),
		"range":         deep("Range", "10i", "10i", "", `<minInValue>64</minInValue><maxInValue>940</maxInValue><minOutValue>0</minOutValue><maxOutValue>1023</maxOutValue>`),
		"range no clamp": node("Range", `style="noClamp"`,
			`<minInValue>0.1</minInValue><maxInValue>0.9</maxInValue><minOutValue>0</minOutValue><maxOutValue>1</maxOutValue>`),
		"range low": node("Range", "", `<minInValue>0.1</minInValue><minOutValue>0.1</minOutValue>`),
		"two nodes": node("Exponent", `style="monCurveFwd"`, `<ExponentParams exponent="2.4" offset="0.055"/>`) +
			node("Matrix", "", `<Array dim="3 3">0.4124 0.3576 0.1805 0.2126 0.7152 0.0722 0.0193 0.1192 0.9505</Array>`),
		"cdl": node("ASC_CDL", `style="Fwd"`, `<SOPNode><Slope>1.1 0.9 1.2</Slope><Offset>-0.02 0.01 0.03</Offset><Power>1.2 0.8 1</Power></SOPNode><SatNode><Saturation>0.7</Saturation></SatNode>`),
	}
	for _, style := range []string{"Rev", "FwdNoClamp", "RevNoClamp"} {
		all["cdl "+style] = strings.Replace(all["cdl"], `"Fwd"`, `"`+style+`"`, 1)
	}
	for _, style := range []string{"log10", "antiLog10", "log2", "antiLog2"} {
		all[style] = node("Log", `style="`+style+`"`, "")
	}
	for _, style := range []string{"linToLog", "logToLin"} {
		all[style] = node("Log", `style="`+style+`"`, `<LogParams base="10" linSideSlope="1.1" linSideOffset="0.03" logSideSlope="0.3" logSideOffset="0.6"/>`)
	}
	for _, style := range []string{"cameraLinToLog", "cameraLogToLin"} {
		all[style] = node("Log", `style="`+style+`"`, `<LogParams base="10" linSideSlope="5.555556" linSideOffset="0.052272" logSideSlope="0.24719" logSideOffset="0.385537" linSideBreak="0.010591"/>`)
		all[style+" per channel"] = node("Log", `style="`+style+`"`, `<LogParams channel="R" base="10" linSideSlope="5" linSideOffset="0.05" logSideSlope="0.25" logSideOffset="0.4" linSideBreak="0.01" linearSlope="5"/>`+
			`<LogParams channel="G" base="10" linSideSlope="5.2" linSideOffset="0.06" logSideSlope="0.26" logSideOffset="0.4" linSideBreak="0.01" linearSlope="5"/>`+
			`<LogParams channel="B" base="10" linSideSlope="5.5" linSideOffset="0.05" logSideSlope="0.25" logSideOffset="0.38" linSideBreak="0.012" linearSlope="5.5"/>`)
	}
	for _, style := range []string{"basicFwd", "basicRev", "basicMirrorFwd", "basicMirrorRev", "basicPassThruFwd", "basicPassThruRev"} {
		all[style] = node("Exponent", `style="`+style+`"`, `<ExponentParams exponent="2.2"/>`)
	}
	for _, style := range []string{"monCurveFwd", "monCurveRev", "monCurveMirrorFwd", "monCurveMirrorRev"} {
		all[style] = node("Exponent", `style="`+style+`"`, `<ExponentParams exponent="2.4" offset="0.055"/>`)
		all[style+" per channel"] = node("Exponent", `style="`+style+`"`, `<ExponentParams exponent="2.4" offset="0.055"/><ExponentParams channel="B" exponent="3" offset="0.16"/>`)
	}
	return all
}

// Every process node gives what OpenColorIO makes of the same file, for pixels within 0 to 1 and
// beyond.
func TestAsOpenColorIO(t *testing.T) {
	dir := t.TempDir()
	files := map[string]string{}
	var pixels [][3]float32
	for name, nodes := range transforms() {
		path := filepath.Join(dir, strings.ReplaceAll(name, " ", "-")+".clf")
		if err := os.WriteFile(path, []byte(process(nodes)), 0o666); err != nil {
			t.Fatal(err)
		}
		files[name] = path
	}
	r := rand.New(rand.NewPCG(3, 4))
	for i := range 3000 {
		spread := float32(1)
		if i%3 == 0 {
			spread = 1.5
		}
		var p [3]float32
		for c := range p {
			p[c] = (r.Float32()-0.5)*spread + 0.5
		}
		pixels = append(pixels, p)
	}
	pixels = append(pixels, [3]float32{}, [3]float32{1, 1, 1}, [3]float32{0.5, 0.5, 0.5})
	want := outside.ColorIO(t, files, "", pixels)
	for name, path := range files {
		transform, err := clf.Read(path)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		worst := 0.0
		var at string
		for i, p := range pixels {
			row := [3][]float32{{p[0]}, {p[1]}, {p[2]}}
			transform.Row(row[0], row[1], row[2])
			for c := range 3 {
				got := float64(row[c][0])
				// Parts of the value, or of the range where it is small: OpenColorIO computes with
				// single precision and, in powers and logarithms, with approximations.
				if off := math.Abs(got-want[name][i][c]) / max(math.Abs(want[name][i][c]), 1); off > worst || math.IsNaN(off) {
					worst, at = off, fmt.Sprintf("of %v channel %d is %v, want %v", p, c, got, want[name][i][c])
				}
			}
		}
		if !(worst < 2e-5) {
			t.Errorf("%s: %.2g off: %s", name, worst, at)
		}
	}
}

// OpenColorIO reads the grades that are written, and makes of pixels what a Grade does with them.
func TestCDLAsOpenColorIO(t *testing.T) {
	dir := t.TempDir()
	files := map[string]string{}
	var pixels [][3]float32
	for _, name := range []string{"a.cc", "a.ccc", "a.cdl"} {
		files[name] = filepath.Join(dir, name)
		some := grades()
		if name == "a.cc" {
			some = some[:1]
		}
		if err := clf.WriteCDL(files[name], some); err != nil {
			t.Fatal(err)
		}
	}
	r := rand.New(rand.NewPCG(3, 4))
	for range 500 {
		pixels = append(pixels, [3]float32{2*r.Float32() - 0.2, 2*r.Float32() - 0.2, 2*r.Float32() - 0.2})
	}
	want := outside.ColorIO(t, files, "foreground", pixels)
	for name, path := range files {
		read, err := clf.ReadCDL(path)
		if err != nil {
			t.Fatal(err)
		}
		grader, err := composite.NewGrader(composite.Grade{CDL: &read[0].CDL})
		if err != nil {
			t.Fatal(err)
		}
		for i, p := range pixels {
			row := [3][]float32{{p[0]}, {p[1]}, {p[2]}}
			grader.Row(row)
			for c := range 3 {
				// OpenColorIO's powers are approximations in single precision.
				if d := math.Abs(float64(row[c][0]) - want[name][i][c]); !(d < 5e-5) {
					t.Fatalf("%s: of %v channel %d is %v, OpenColorIO has %v", name, p, c, row[c][0], want[name][i][c])
				}
			}
		}
	}
}
