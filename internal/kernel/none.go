//go:build !amd64 && !(goexperiment.simd && go1.27)

package kernel

func vectors() string { return "" }

func rowFront(s *Solve, t []float32, p *[3][]float32, in *Row) (int, bool) { return 0, true }

func overFront(s *Solve, t []float32, out *[3][]float32, in *Row, back *[3][]float32) (int, bool) {
	return 0, true
}

func overUnspilledFront(s *Solve, t []float32, out *[3][]float32, in *Row, back *[3][]float32, spill []float32) (int, bool) {
	return 0, true
}

func heldFront(out, p, t, b []float32) int { return 0 }

func blendFront(dst, src []float32, stride int, weights []float32) int { return 0 }

func slopedFront(s Slant, dst, src [][]float32, stride int) int { return 0 }

func slantedFront(dst, src []float32, stride int, at []int32, weights []float32) int { return 0 }

func placesFront(l *MapLine, dx, dy []float32, at [2]float32) int { return 0 }

func spreadFront(dst, nodes []float32) int { return 0 }

func cubicFront(r *Run, dst, src []float32, stride int, dx, dy []float32) int { return 0 }

func foursFront(f *Fours, dst, line []float32) int { return 0 }

func threeFoursFront(f *Fours, dst, lines *[3][]float32) int { return 0 }

func mixFront(dst, a, b []float32, part float32) int { return 0 }

func raiseFront(dst, a []float32) int { return 0 }

func unspillFront(u *Unspill, t, moved, spill []float32) (int, int) { return 0, 0 }

func mean3Front(dst, a, b, c []float32) int { return 0 }

func mean2Front(dst, a, b []float32) int { return 0 }

func weighFront(dst, a, b, c []float32, weights *[3]float32) int { return 0 }

func matrixFront(rgb *[3][]float32, m *[12]float32) int { return 0 }

func decimateFront(dst, src []float32) int { return 0 }

func quantizeFront(dst []byte, size int, a, b []float32, scale, by, zero float32) int { return 0 }

func insideFront(inside []int32, row []float32, low, high float32) int { return 0 }

func barFront(barred, inside []int32, mark int32) int { return 0 }

func tallyFront(t *Tally, row []float32, barred []int32, mark int32, center float32) int { return 0 }

func finiteFront(s []float32) (int, bool) { return 0, true }

func plusFront(dst, a, b []byte) int { return 0 }

func minusFront(dst, a, b []byte) int { return 0 }

func runningFront(line []byte, n int) int { return 0 }

func adlerFront(b []byte) (uint32, int) { return 1, 0 }

func floatsFront(dst []float32, src []byte, size, step int) int { return 0 }

func halvesFront(dst []uint32, src []float32) int { return 0 }

func weaveFront(high, low []uint32, planes *[4][]uint32) int { return 0 }

func videoFront(v *Video, red, green, blue []int32, luma, cb, cr []float32) int { return 0 }

func stepsFront(s *Steps, dst, light []float32, unit float32) (int, bool) { return 0, true }

func gramFront(out []float64, rows [][Columns]float64, parts, values int, w []float64) int {
	return 0
}

func foldFront(out *[Columns]float64, rows [][Columns]float64, c []float64) int { return 0 }

func fold3Front(out *[3][Columns]float64, rows [][Columns]float64, c *[3][]float64) int { return 0 }

func dotsFront(out []float64, rows [][Columns]float64, by *[Columns]float64) int { return 0 }

func splineFront(out [][4]float32, c []float32, stride int, at []int32, parts [][2]float32) int {
	return 0
}

func moveFront(sums *[7]float64, out *[3][]float64, w *Window, c *[Columns]float64) int { return 0 }
