package kernel

// Fold3 is Fold for three at once, none of which waits for the others.
func Fold3(out *[3][Columns]float64, rows [][Columns]float64, c *[3][]float64) {
	n := len(rows)
	fold3(out, rows, c[0][:n], c[1][:n], c[2][:n])
	settle()
}
