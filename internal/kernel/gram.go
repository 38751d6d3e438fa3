package kernel

// Columns is how many values a row of Gram and Fold has: those that are not needed are 0.
const Columns = 8

// Gram sets the lower triangle of out, row by row, to the sums over the rows of w times the products of their values. The
// rest of it becomes anything.
func Gram(out *[Columns * Columns]float64, rows [][Columns]float64, w []float64) {
	gram(out, rows, w[:len(rows)])
	settle()
}

// Fold sets out to the sums over the rows of c times their values.
func Fold(out *[Columns]float64, rows [][Columns]float64, c []float64) {
	fold(out, rows, c[:len(rows)])
	settle()
}
