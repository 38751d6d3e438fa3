package half

import (
	"math"
	"testing"
)

// The value of a half is (1 + fraction/1024) 2^(exponent-15), or fraction 2^-24 where the exponent
// is 0 (IEEE 754, 3.4).
func TestHalf(t *testing.T) {
	for i := range 1 << 16 {
		h := uint16(i)
		exponent, fraction := int(h>>10&31), float64(h&0x3ff)
		want := math.Ldexp(1+fraction/1024, exponent-15)
		switch exponent {
		case 0:
			want = math.Ldexp(fraction, -24)
		case 31:
			if want = math.Inf(1); fraction != 0 {
				want = math.NaN()
			}
		}
		if h>>15 != 0 {
			want = -want
		}
		got := ToFloat32(h)
		if float64(got) != want && !(math.IsNaN(want) && got != got) || math.Signbit(float64(got)) != (h>>15 != 0) {
			t.Fatalf("%#04x is %v, want %v", h, got, want)
		}
		if got != got {
			if back := FromFloat32(got); ToFloat32(back) == ToFloat32(back) {
				t.Fatalf("NaN comes back as %#04x", back)
			}
			continue
		}
		if back := FromFloat32(got); back != h {
			t.Fatalf("%v comes back as %#04x, want %#04x", got, back, h)
		}
		// The middle between it and the next goes to the even one, and what is a little off the
		// middle to the nearer.
		if exponent == 31 || h>>15 != 0 || exponent == 30 && fraction == 1023 {
			continue
		}
		middle := float32((float64(got) + float64(ToFloat32(h+1))) / 2)
		for _, row := range []struct {
			v    float32
			want uint16
		}{{middle, h + h&1}, {math.Nextafter32(middle, 0), h}, {math.Nextafter32(middle, 2*middle), h + 1}} {
			if got := FromFloat32(row.v); got != row.want {
				t.Fatalf("%v becomes %#04x, want %#04x", row.v, got, row.want)
			}
			if got := FromFloat32(-row.v); got != row.want|0x8000 {
				t.Fatalf("%v becomes %#04x, want %#04x", -row.v, got, row.want|0x8000)
			}
		}
	}
	for _, row := range []struct {
		v    float32
		want uint16
	}{{65519, 0x7bff}, {65520, 0x7c00}, {1e30, 0x7c00}, {-70000, 0xfc00}, {1e-40, 0}, {-1e-10, 0x8000}} {
		if got := FromFloat32(row.v); got != row.want {
			t.Errorf("%v becomes %#04x, want %#04x", row.v, got, row.want)
		}
	}
}
