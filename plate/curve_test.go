package plate_test

import (
	"math"
	"strings"
	"testing"

	"example.com/twinplate/plate"
)

func TestCurveValues(t *testing.T) {
	for _, row := range []struct {
		source      string
		curve       plate.Curve
		code, light float64
		within      float64 // of the code value
	}{
		{"IEC 61966-2-1: the middle code", plate.SRGB, 0.5, 0.214041, 1e-6},
		{"IEC 61966-2-1: the break", plate.SRGB, 0.04045, 0.0031308, 1e-7},
		{"IEC 61966-2-1: white", plate.SRGB, 1, 1, 1e-12},
		{"IEC 61966-2-1: black", plate.SRGB, 0, 0, 0},
		{"the linear segment, continued", plate.SRGB, -0.1292, -0.01, 1e-15},

		{"BT.709 item 1.2: within the linear segment, 4.5 L", plate.BT709, 0.045, 0.01, 1e-15},
		{"BT.709 item 1.2, rounded constants: 1.099 * 0.18^0.45 - 0.099", plate.BT709, 0.4090, 0.18, 3e-4},
		{"BT.709 item 1.2, rounded constants: the break, 4.5 * 0.018", plate.BT709, 0.081, 0.018, 1e-12},
		{"BT.2020 table 4: the break of the exact constants", plate.BT709, 4.5 * 0.018053968510807, 0.018053968510807, 1e-12},
		{"BT.709 item 1.2: white", plate.BT709, 1, 1, 1e-12},
		{"the linear segment, continued", plate.BT709, -0.045, -0.01, 1e-15},

		{"BT.1886 annex 1: V^2.4", plate.BT1886, 0.5, 0.189464570814, 1e-9},
		{"BT.1886 annex 1: white", plate.BT1886, 1, 1, 1e-12},
		{"mirrored about black", plate.BT1886, -0.5, -0.189464570814, 1e-9},

		{"BT.2100 table 5: where the root ends", plate.HLG, 0.5, 1.0 / 12, 1e-12},
		{"BT.2100 table 5: white", plate.HLG, 1, 1, 1e-7},
		{"BT.2408 table 1: reference white, 75 % signal", plate.HLG, 0.75, 0.265, 5e-4},
		{"BT.2408 table 1 (not checked against the source): a gray card of 18 % under that white, 38 % signal", plate.HLG, 0.38, 0.18 * 0.265, 5e-3},
		{"mirrored about black", plate.HLG, -0.5, -1.0 / 12, 1e-12},

		{"BT.2408: 100 cd/m2", plate.PQ, 0.5081, 0.0100, 5e-5},
		{"BT.2408: reference white, 203 cd/m2", plate.PQ, 0.5807, 0.0203, 5e-5},
		{"BT.2408: 1000 cd/m2", plate.PQ, 0.7518, 0.1, 5e-5},
		{"BT.2100 table 4: 10 000 cd/m2", plate.PQ, 1, 1, 1e-12},

		{"S-2016-001: 18 % gray", plate.ACEScct, 0.4135884, 0.18, 1e-7},
		{"S-2016-001: ACES 0", plate.ACEScct, 0.0729055, 0, 1e-7},
		{"S-2016-001: X_BRK and Y_BRK", plate.ACEScct, 0.155251141552511, 0.0078125, 1e-14},
		{"S-2016-001: 2^(17.52 - 9.72)", plate.ACEScct, 1, 222.861, 1e-6},
		{"Kodak 1995: white", plate.Density10, 685. / 1023, 1, 1e-14},
		{"Kodak 1995: black", plate.Density10, 95. / 1023, 0, 1e-14},
		{"colour-science's log_encoding_Cineon: 18 % gray", plate.Density10, 0.457319613085418, 0.18, 1e-12},
		{"the linear segment, continued", plate.ACEScct, 0.0729055341958355 - 0.105402377416545, -0.01, 1e-14},

		{"linear", plate.Linear, -0.25, -0.25, 0},
		{"the zero value is linear", plate.Curve{}, 0.7, 0.7, 0},
	} {
		if got := row.curve.FromLinear(row.light); !(math.Abs(got-row.code) <= row.within) {
			t.Errorf("%s: %s of light %v is %v, want %v within %v", row.source, row.curve.Name(), row.light, got, row.code, row.within)
		}
		// The other way the tolerance is scaled by the slope there, which is the curve's own: so
		// the code must come back, too.
		if back := row.curve.FromLinear(row.curve.ToLinear(row.code)); !(math.Abs(back-row.code) <= row.within+1e-12) {
			t.Errorf("%s: %s code %v comes back as %v", row.source, row.curve.Name(), row.code, back)
		}
		slope := (row.curve.ToLinear(row.code+1e-6) - row.curve.ToLinear(row.code-1e-6)) / 2e-6
		if got := row.curve.ToLinear(row.code); !(math.Abs(got-row.light) <= 1.2*row.within*slope+1e-15) {
			t.Errorf("%s: %s code %v is light %v, want %v within %v", row.source, row.curve.Name(), row.code, got, row.light, row.within*slope)
		}
	}
}

// The rounded constants of BT.709 differ from those used by the amount that the documentation
// states.
func TestBT709RoundedConstants(t *testing.T) {
	most := 0.0
	for i := range 10001 {
		l := float64(i) / 10000
		rounded := 4.5 * l
		if l >= 0.018 {
			rounded = 1.099*math.Pow(l, 0.45) - 0.099
		}
		most = math.Max(most, math.Abs(rounded-plate.BT709.FromLinear(l)))
	}
	if !(most > 2e-4 && most < 3e-4) {
		t.Errorf("the code values differ by up to %v, want 2e-4 to 3e-4", most)
	}
}

func TestCurvesMeetAtTheirBreaks(t *testing.T) {
	for _, row := range []struct {
		curve  plate.Curve
		light  float64
		within float64 // the step in code value, up or down
	}{
		{plate.SRGB, 0.0031308, 3e-8}, // the constants as printed
		{plate.BT709, 0.018053968510807, 1e-12},
		{plate.HLG, 1.0 / 12, 1e-9},
		{plate.ACEScct, 0.0078125, 1e-12},
		{plate.BT1886, 0, 1e-5}, // infinitely steep there
		{plate.PQ, 0, 2e-6},     // black is 7.3e-7, above and below
	} {
		below := row.curve.FromLinear(math.Nextafter(row.light, -1))
		above := row.curve.FromLinear(math.Nextafter(row.light, 1))
		if !(math.Abs(above-below) <= row.within) {
			t.Errorf("%s at light %v goes from %v to %v, a step of more than %v", row.curve.Name(), row.light, below, above, row.within)
		}
		code := row.curve.FromLinear(row.light)
		if step := row.curve.ToLinear(code+1e-12) - row.curve.ToLinear(code-1e-12); !(math.Abs(step) < 1e-8) {
			t.Errorf("%s at code %v: light steps by %v", row.curve.Name(), code, step)
		}
	}
}

func TestCurvesRiseAndReturn(t *testing.T) {
	for _, c := range plate.Curves() {
		lastLight, lastCode := math.Inf(-1), math.Inf(-1)
		for i := -2500; i <= 12500; i++ {
			code := float64(i) / 10000
			light := c.ToLinear(code)
			if math.IsNaN(light) || light < lastLight {
				t.Fatalf("%s: light falls from %v to %v at code %v", c.Name(), lastLight, light, code)
			}
			// Near black PQ's codes have no light of their own: 0 returns as 7.3e-7. Others have a
			// step where two segments meet, and its codes return as its end.
			within := 1e-6
			if c == plate.NLog {
				within = 1.3e-4
			}
			if back := c.FromLinear(light); !(math.Abs(back-code) < within) {
				t.Fatalf("%s: code %v comes back as %v", c.Name(), code, back)
			}
			lastLight = light

			light = float64(i) / 5000
			code = c.FromLinear(light)
			if math.IsNaN(code) || code < lastCode {
				t.Fatalf("%s: code falls from %v to %v at light %v", c.Name(), lastCode, code, light)
			}
			within = 1e-7
			if c == plate.LLog { // beyond its step light has one code until the curve is past it
				within = 5e-4
			}
			if back := c.ToLinear(code); !(math.Abs(back-light) < within) {
				t.Fatalf("%s: light %v comes back as %v", c.Name(), light, back)
			}
			lastCode = code
		}
	}
}

func TestCurvesAtTheExtremes(t *testing.T) {
	for _, c := range plate.Curves() {
		for _, v := range []float64{math.Inf(1), math.MaxFloat64, 1e30} {
			if got := c.FromLinear(v); !(got > 1) {
				t.Errorf("%s: code of light %v is %v, want more than 1", c.Name(), v, got)
			}
			if got := c.ToLinear(v); !(got > 1) {
				t.Errorf("%s: light of code %v is %v, want more than 1", c.Name(), v, got)
			}
		}
		if got := c.FromLinear(math.Inf(-1)); !(got < 0) {
			t.Errorf("%s: code of light -Inf is %v, want less than 0", c.Name(), got)
		}
		if got := c.FromLinear(math.NaN()); !math.IsNaN(got) {
			t.Errorf("%s: code of NaN is %v, want NaN", c.Name(), got)
		}
	}
}

func TestCurveByName(t *testing.T) {
	for _, c := range plate.Curves() {
		for _, name := range []string{c.Name(), strings.ToUpper(c.Name()), " " + c.Name()} {
			if got, err := plate.CurveByName(name); err != nil || got != c {
				t.Errorf("%q: got %v, %v", name, got.Name(), err)
			}
		}
	}
	const known = "known: linear, srgb, bt709, bt1886, hlg, pq, acescct, density10, logc3, logc4, slog3, vlog, clog2, clog3, log3g10, film5, nlog, flog, flog2, dlog, llog, applelog"
	for _, row := range []struct{ name, want string }{
		{"srbg", `unknown transfer curve "srbg": did you mean "srgb"? ` + known},
		{"qp", `unknown transfer curve "qp": did you mean "pq"? ` + known},
		{"rec709", `unknown transfer curve "rec709": did you mean "bt709"? ` + known},
		{"sepia", `unknown transfer curve "sepia"; ` + known},
		{"", `unknown transfer curve ""; ` + known},
	} {
		if _, err := plate.CurveByName(row.name); err == nil || err.Error() != row.want {
			t.Errorf("%q: %v\nwant %s", row.name, err, row.want)
		}
	}
}

func TestZeroCurve(t *testing.T) {
	var c plate.Curve
	if c.Name() != "linear" || c.FromLinear(-3) != -3 {
		t.Errorf("%q, %v", c.Name(), c.FromLinear(-3))
	}
	f := plate.NewGray(1, 1)
	f.Fill(0.5)
	if got := plate.GrayFromImage(plate.Encode(f, c, 16), c, nil).Pix[0]; math.Abs(float64(got)-0.5) > 1e-5 {
		t.Errorf("0.5 comes back as %v", got)
	}
}
