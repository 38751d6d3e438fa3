package plate

import "testing"

// Whatever a profile holds, it says a curve that is known or a power, and primaries that make sense, or nothing.
func FuzzReadICC(f *testing.F) {
	f.Add([]byte(nil))
	for _, c := range Curves() {
		for _, p := range []Primaries{PrimariesBT709, PrimariesAP1} {
			f.Add(iccProfile(c, p))
		}
	}
	f.Fuzz(func(t *testing.T, profile []byte) {
		var i Info
		i.readICC(profile)
		if i.Primaries != (Primaries{}) && !i.Primaries.sensible() {
			t.Fatalf("primaries %v", i.Primaries)
		}
		if _, err := CurveByName(i.Curve); err != nil && i.Curve != "" && i.Curve[:6] != "gamma " {
			t.Fatalf("curve %q", i.Curve)
		}
		_ = i.Conflict(PQ, PrimariesAP1)
		if i.Primaries != (Primaries{}) {
			i.Primaries.To(PrimariesBT2020)
		}
	})
}
