package kernel

// Columns is how many values a row of Gram and Fold has: those that are not needed are 0.
const Columns = 8

// Gram sets the lower triangle of out, row by row, to the sums over the rows of w times the
// products of their values. The rest of it becomes anything.
func Gram(out *[Columns * Columns]float64, rows [][Columns]float64, w []float64) {
	clear(out[:])
	gramFrom(gramFront(out, rows, w), out, rows, w)
}

// Fold sets out to the sums over the rows of c times their values.
func Fold(out *[Columns]float64, rows [][Columns]float64, c []float64) {
	clear(out[:])
	foldFrom(foldFront(out, rows, c), out, rows, c)
}

// Fold3 is Fold for three at once, none of which waits for the others.
func Fold3(out *[3][Columns]float64, rows [][Columns]float64, c *[3][]float64) {
	clear(out[:])
	i := fold3Front(out, rows, c)
	for k := range out {
		foldFrom(i, &out[k], rows, c[k])
	}
}

func gramFrom(i int, out *[Columns * Columns]float64, rows [][Columns]float64, w []float64) {
	w = w[:len(rows)]
	for ; i < len(rows); i++ {
		r, v := &rows[i], w[i]
		for j := range Columns {
			f := v * r[j]
			for q := range j + 1 {
				out[j*Columns+q] += f * r[q]
			}
		}
	}
}

func foldFrom(i int, out *[Columns]float64, rows [][Columns]float64, c []float64) {
	c = c[:len(rows)]
	for ; i < len(rows); i++ {
		v := c[i]
		for j, r := range rows[i] {
			out[j] += v * r
		}
	}
}
