package kernel

// Spline sets out to the value, the slopes along x and y and the Laplacian of a cubic B-spline at some
// places. at says where the first of the 4 by 4 coefficients about a place are in c, of which a row
// begins stride values after the one before it, and parts how far the place is from the second of them
// to the third, along x and y, 0 to 1. All have out's length.
func Spline(out [][4]float32, c []float32, stride int, at []int32, parts [][2]float32) {
	n := len(out)
	at, parts = at[:n], parts[:n]
	splineFrom(splineFront(out, c, stride, at, parts), out, c, stride, at, parts)
}

// The weights of the four coefficients along an axis, by the powers of the place between them, from the
// zeroth on; what they have of the slope and of the second derivative follows.
var splineWeights = [4][4]float32{
	{1. / 6, 2. / 3, 1. / 6, 0},
	{-1. / 2, 0, 1. / 2, 0},
	{1. / 2, -1, 1. / 2, 0},
	{-1. / 6, 1. / 2, -1. / 2, 1. / 6},
}

func splineFrom(i int, out [][4]float32, c []float32, stride int, at []int32, parts [][2]float32) {
	for ; i < len(out); i++ {
		u, v := parts[i][0], parts[i][1]
		o, q := 1-u, 1-v
		x0, x1, x2, x3 := o*o*o*(1./6), (u*u*(3*u-6)+4)*(1./6), (o*o*(3*o-6)+4)*(1./6), u*u*u*(1./6)
		d0, d1, d2, d3 := -0.5*o*o, u*(1.5*u-2), -o*(1.5*o-2), 0.5*u*u
		b0, b1, b2, b3 := o, 3*u-2, 3*o-2, u
		var value, dx, dy, bend float32
		for j, y := range [4][3]float32{
			{q * q * q * (1. / 6), -0.5 * q * q, q},
			{(v*v*(3*v-6) + 4) * (1. / 6), v * (1.5*v - 2), 3*v - 2},
			{(q*q*(3*q-6) + 4) * (1. / 6), -q * (1.5*q - 2), 3*q - 2},
			{v * v * v * (1. / 6), 0.5 * v * v, v},
		} {
			r := (*[4]float32)(c[int(at[i])+j*stride:])
			s := x0*r[0] + x1*r[1] + x2*r[2] + x3*r[3]
			value += y[0] * s
			dy += y[1] * s
			dx += y[0] * (d0*r[0] + d1*r[1] + d2*r[2] + d3*r[3])
			bend += y[2]*s + y[0]*(b0*r[0]+b1*r[1]+b2*r[2]+b3*r[3])
		}
		out[i] = [4]float32{value, dx, dy, bend}
	}
}

// A Window is pixels of a window with an edge in it, for Move. All rows have one length.
type Window struct {
	X, Y                 []float64 // the place
	SlopeX, SlopeY, Bend []float64 // of alpha
	ToX, ToY             []float64 // the direction of the slope
	TurnX, TurnY         []float64 // by how much the slopes of Y's and X's part in the model change along it
	Left, Weight         []float64 // what the model leaves of a pixel
}

// Move multiplies the weights into how the model
//
//	alpha (c[1] + c[2] x + c[3] y + c[4] (x^2 - 1/3) + c[5] x y + c[6] (y^2 - 1/3))
//
// changes where alpha moves along x, along y, and is blurred: it sets out to these, and returns the
// sums of their products with the changes, in the order xx, xy, yy, and of the blur with itself; and
// those with what is left, in the order x, y, blur.
func (w *Window) Move(out *[3][]float64, c *[Columns]float64) (sums [7]float64) {
	i := moveFront(&sums, out, w, c)
	for ; i < len(w.X); i++ {
		x, y, weight, left := w.X[i], w.Y[i], w.Weight[i], w.Left[i]
		solid := c[1] + c[2]*x + c[3]*y + c[4]*(x*x-1./3) + c[5]*x*y + c[6]*(y*y-1./3)
		turn := (c[2]+2*x*c[4]+y*c[5])*w.TurnX[i] + (c[3]+x*c[5]+2*y*c[6])*w.TurnY[i]
		gx, gy, gb := solid*w.SlopeX[i]+turn*w.ToX[i], solid*w.SlopeY[i]+turn*w.ToY[i], solid*w.Bend[i]
		wx, wy, wb := weight*gx, weight*gy, weight*gb
		out[0][i], out[1][i], out[2][i] = wx, wy, wb
		sums[0] += wx * gx
		sums[1] += wx * gy
		sums[2] += wy * gy
		sums[3] += wb * gb
		sums[4] += wx * left
		sums[5] += wy * left
		sums[6] += wb * left
	}
	return sums
}
