//go:build !(goexperiment.simd && go1.27)

package kernel

func fold3(out *[3][Columns]float64, rows [][Columns]float64, a, b, c []float64) {
	fold(&out[0], rows, a)
	fold(&out[1], rows, b)
	fold(&out[2], rows, c)
}
