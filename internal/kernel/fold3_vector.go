//go:build goexperiment.simd && go1.27

package kernel

import "simd"

func fold3(out *[3][Columns]float64, rows [][Columns]float64, a, b, c []float64) {
	if len(rows) == 0 {
		clear(out[:])
		return
	}
	zero := simd.BroadcastFloat64s(0)
	lanes := min(zero.Len(), Columns)
	u, v, w := first(a, len(rows)), first(b, len(rows)), first(c, len(rows))
	to0, to1, to2 := first(out[0][:], Columns), first(out[1][:], Columns), first(out[2][:], Columns)
	for p := 0; p < Columns; p += lanes {
		s0, s1, s2 := zero, zero, zero
		for i := range rows {
			r := simd.LoadFloat64s(from(&rows[i][0], p))
			s0 = r.MulAdd(simd.BroadcastFloat64s(*after(u, i)), s0)
			s1 = r.MulAdd(simd.BroadcastFloat64s(*after(v, i)), s1)
			s2 = r.MulAdd(simd.BroadcastFloat64s(*after(w, i)), s2)
		}
		s0.Store(from(to0, p))
		s1.Store(from(to1, p))
		s2.Store(from(to2, p))
	}
}
