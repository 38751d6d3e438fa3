package kernel

import (
	"math"
	"math/rand/v2"
	"testing"
)

// The spline is the sum of its coefficients times the cubic B-spline by its definition (Unser 1999,
// "Splines: a perfect fit for signal and image processing", equation 6, along either axis), and the
// slopes and the Laplacian are the limits of its differences.
func TestSpline(t *testing.T) {
	basis := func(x float64) float64 {
		x = math.Abs(x)
		switch {
		case x < 1:
			return 2./3 - x*x + x*x*x/2
		case x < 2:
			return (2 - x) * (2 - x) * (2 - x) / 6
		}
		return 0
	}
	const w, h = 9, 7
	r := rand.New(rand.NewPCG(57, 58))
	c := make([]float32, w*h)
	for i := range c {
		c[i] = r.Float32()
	}
	value := func(x, y float64) (sum float64) {
		for i, v := range c {
			sum += float64(v) * basis(x-float64(i%w)) * basis(y-float64(i/w))
		}
		return sum
	}
	for _, n := range lengths {
		out, at, parts := make([][4]float32, n), make([]int32, n), make([][2]float32, n)
		for i := range out {
			at[i], parts[i] = int32(r.IntN(h-3)*w+r.IntN(w-3)), [2]float32{r.Float32(), r.Float32()}
		}
		Spline(out, c, w, at, parts)
		for i, got := range out {
			x, y := float64(at[i]%w+1)+float64(parts[i][0]), float64(at[i]/w+1)+float64(parts[i][1])
			const d = 1e-4
			v, right, left, down, up := value(x, y), value(x+d, y), value(x-d, y), value(x, y+d), value(x, y-d)
			for k, want := range [4]float64{v, (right - left) / (2 * d), (down - up) / (2 * d), (right + left + down + up - 4*v) / (d * d)} {
				// The third derivative jumps between coefficients, by up to 8 where these are 0 to 1.
				if math.Abs(float64(got[k])-want) > []float64{1e-6, 1e-5, 1e-5, 1e-3}[k] {
					t.Fatalf("%d places: number %d at (%v, %v) is %v, want %v", n, k, x, y, got[k], want)
				}
			}
		}
	}
}

// The sums are those of the model's changes, which are the limits of its differences.
func TestMove(t *testing.T) {
	r := rand.New(rand.NewPCG(59, 60))
	for _, n := range lengths {
		var rows [11][]float64
		for i := range rows {
			rows[i] = make([]float64, n)
			for k := range rows[i] {
				rows[i][k] = r.NormFloat64()
			}
		}
		w := Window{rows[0], rows[1], rows[2], rows[3], rows[4], rows[5], rows[6], rows[7], rows[8], rows[9], rows[10]}
		out := [3][]float64{make([]float64, n), make([]float64, n), make([]float64, n)}
		c := [Columns]float64{9, 1.5, -0.5, 0.25, 2, -1, 0.75}
		sums := w.Move(&out, &c)
		color := func(x, y float64) float64 {
			return c[1] + c[2]*x + c[3]*y + c[4]*(x*x-1./3) + c[5]*x*y + c[6]*(y*y-1./3)
		}
		var want [7]float64
		for i := range n {
			const d = 1e-3 // the color is a quadratic, of which a difference is the slope
			x, y := w.X[i], w.Y[i]
			turn := (color(x+d, y)-color(x-d, y))/(2*d)*w.TurnX[i] + (color(x, y+d)-color(x, y-d))/(2*d)*w.TurnY[i]
			solid := color(x, y)
			change := [3]float64{solid*w.SlopeX[i] + turn*w.ToX[i], solid*w.SlopeY[i] + turn*w.ToY[i], solid * w.Bend[i]}
			for k, v := range change {
				if got := out[k][i]; math.Abs(got-w.Weight[i]*v) > 1e-9*(1+math.Abs(got)) {
					t.Fatalf("%d pixels: change %d of pixel %d is %v, want %v", n, k, i, got, w.Weight[i]*v)
				}
			}
			for k, v := range [7]float64{
				change[0] * change[0], change[0] * change[1], change[1] * change[1], change[2] * change[2],
				change[0] * w.Left[i], change[1] * w.Left[i], change[2] * w.Left[i],
			} {
				want[k] += w.Weight[i] * v
			}
		}
		for k := range want {
			if math.Abs(sums[k]-want[k]) > 1e-7*(1+float64(n)) {
				t.Errorf("%d pixels: sum %d is %v, want %v", n, k, sums[k], want[k])
			}
		}
	}
}

func TestDots(t *testing.T) {
	r := rand.New(rand.NewPCG(61, 62))
	by := [Columns]float64{1, -2, 3, -4, 5, -6, 7, -8}
	for _, n := range lengths {
		rows, out := make([][Columns]float64, n), make([]float64, n)
		for i := range rows {
			for j := range rows[i] {
				rows[i][j] = r.NormFloat64()
			}
		}
		Dots(out, rows, &by)
		for i, got := range out {
			want := 0.0
			for j, v := range rows[i] {
				want += v * by[j]
			}
			if math.Abs(got-want) > 1e-12 {
				t.Errorf("%d rows: sum %d is %v, want %v", n, i, got, want)
			}
		}
	}
}
