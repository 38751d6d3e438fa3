package kernel

// Columns is how many values a row of Gram and Fold has: those that are not needed are 0.
const Columns = 8

// Gram sets the lower triangle of out, row by row, to the sums over the rows of w times the
// products of their values. The rest of it becomes anything.
func Gram(out *[Columns * Columns]float64, rows [][Columns]float64, w []float64) {
	gram(out, rows, w[:len(rows)])
	settle()
}

// Fold sets out to the sums over the rows of c times their values.
func Fold(out *[Columns]float64, rows [][Columns]float64, c []float64) {
	fold(out, rows, c[:len(rows)])
	settle()
}

// Fold3 is Fold for three at once, none of which waits for the others.
func Fold3(out *[3][Columns]float64, rows [][Columns]float64, c *[3][]float64) {
	n := len(rows)
	fold3(out, rows, c[0][:n], c[1][:n], c[2][:n])
	settle()
}
