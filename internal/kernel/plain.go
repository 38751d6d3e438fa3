//go:build !(goexperiment.simd && go1.27)

package kernel

import "hash/adler32"

func solveRow(s *Solve, t []float32, p *[3][]float32, in *Row) bool { return s.solve(0, t, p, in) }

func solveOver(s *Solve, t []float32, out *[3][]float32, in *Row, back *[3][]float32) bool {
	return s.over(0, t, out, in, back)
}

func addHeld(out, p, t, b []float32) { held(0, out, p, t, b) }

func places(l *MapLine, dx, dy []float32, at *[2]float32) {
	l.places(0, dx, dy, at)
}

func spread(dst, nodes []float32) {
	for i := 0; i < len(dst); i += 2 * Apart {
		a, m, b := nodes[i/Apart], nodes[i/Apart+1], nodes[i/Apart+2]
		bend := (a - m) + (b - m)
		bend *= 0.5
		slope := (m - a) - bend
		part := dst[i:][:2*Apart]
		for k := range part {
			u := float32(k) * (1. / Apart)
			part[k] = a + u*(slope+u*bend)
		}
	}
}

func resample(dst, src []float32, stride int, dx, dy []float32, runs []Run) {
	for i := range runs {
		runs[i].cubic(0, dst, src, stride, dx, dy)
	}
}

func mix(dst, a, b []float32, part float32) { mixFrom(0, dst, a, b, part) }

func mean3(dst, a, b, c []float32) { mean3From(0, dst, a, b, c) }

func bar(barred, inside []int32, row []float32, low, high float32, mark int32) {
	barFrom(0, 0, barred, inside, row, low, high, mark)
}

func add(t *Tally, row []float32, barred []int32, mark int32, center float32) {
	t.from(0, row, barred, mark, center)
}

func finite(s []float32) bool { return allFinite(s) }

func plus(dst, a, b []byte) { plusFrom(0, dst, a, b) }

func minus(dst, a, b []byte) { minusFrom(0, dst, a, b) }

func running(line []byte, n int) { runningFrom(n, line, n) }

func adler(b []byte) uint32 { return adler32.Checksum(b) }

func halves(dst []uint32, src []float32) { halvesFrom(0, dst, src) }

func weave(high, low []uint32, planes *[4][]uint32) { weaveFrom(0, high, low, planes) }

func videoPlaces(v *Video, red, green, blue []int32, luma, cb, cr []float32) {
	v.places(0, red, green, blue, luma, cb, cr)
}

func gram(out *[Columns * Columns]float64, rows [][Columns]float64, w []float64) {
	clear(out[:])
	for i, v := range w {
		r := &rows[i]
		for j := range Columns {
			f := v * r[j]
			for q := range j + 1 {
				out[j*Columns+q] += f * r[q]
			}
		}
	}
}

func fold(out *[Columns]float64, rows [][Columns]float64, c []float64) {
	clear(out[:])
	for i, v := range c {
		for j, r := range rows[i] {
			out[j] += v * r
		}
	}
}

func fold3(out *[3][Columns]float64, rows [][Columns]float64, a, b, c []float64) {
	fold(&out[0], rows, a)
	fold(&out[1], rows, b)
	fold(&out[2], rows, c)
}
