package kernel

// Columns is how many values a row of Fold has, and a part of a row of Gram: those that are not
// needed are 0.
const Columns = 8

// Gram sets the lower triangle of out, row by row, to the sums over the rows of w times the
// products of their first values, so many of them. The rest of it becomes anything. A row has so many
// parts, one after the other, and out as many rows and columns as a row has values.
func Gram(out []float64, rows [][Columns]float64, parts, values int, w []float64) {
	side := parts * Columns
	out = out[:side*side]
	clear(out)
	gramFrom(gramFront(out, rows, parts, values, w), out, rows, parts, values, w)
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

// Dots sets out to the sums of the products of each row's values with by.
func Dots(out []float64, rows [][Columns]float64, by *[Columns]float64) {
	rows = rows[:len(out)]
	for i := dotsFront(out, rows, by); i < len(out); i++ {
		r := &rows[i]
		out[i] = r[0]*by[0] + r[1]*by[1] + r[2]*by[2] + r[3]*by[3] + (r[4]*by[4] + r[5]*by[5] + r[6]*by[6] + r[7]*by[7])
	}
}

func gramFrom(i int, out []float64, rows [][Columns]float64, parts, values int, w []float64) {
	n := len(rows) / parts
	w = w[:n]
	for ; i < n; i++ {
		row := rows[i*parts : (i+1)*parts]
		for j := range values {
			f := w[i] * row[j/Columns][j%Columns]
			to := out[j*parts*Columns:][:j+1]
			for k := range row[:j/Columns+1] {
				r, some := &row[k], to[k*Columns:]
				for q := range min(Columns, len(some)) {
					some[q] += f * r[q]
				}
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
