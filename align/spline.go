package align

import (
	"math"

	"example.com/twinplate/internal/kernel"
	"example.com/twinplate/internal/parallel"
)

// Between its pixels a band plate is the cubic spline through them: of the kernels that look at 4
// by 4 numbers the one nearest to what the lens drew, and smooth in its second derivative too
// (Unser, Aldroubi and Eden 1993, "B-spline signal processing", part II).

// splined returns the coefficients of the cubic B-spline through the plane's pixels, the borders
// mirrored, in c where that is as long. Each of its two passes along an axis is one of Unser's
// times a factor that leaves what is level as it is.
func splined(c []float32, q plane) []float32 {
	const (
		horizon = 16  // pole to this power is nothing to a float32
		band    = 4   // rows that go together: a number waits for its neighbor in its own row alone
		strip   = 128 // columns that go down together, so that they stay in a cache
	)
	pole := float32(math.Sqrt(3) - 2)
	part := 1 - pole
	if len(c) != len(q.pix) {
		c = newPlane(q.w, q.h).pix
	}
	parallel.Parts((q.h+band-1)/band, func(from, to int) {
		for k := from; k < to; k++ {
			var in, out [band][]float32
			for j := range in {
				y := min(k*band+j, q.h-1)
				in[j], out[j] = q.pix[y*q.w:(y+1)*q.w], c[y*q.w:(y+1)*q.w]
			}
			var p [band]float32
			for j, v := range in {
				first, power := v[0], float32(1)
				for i := 1; i < min(horizon, len(v)); i++ {
					power *= pole
					first += power * v[i]
				}
				p[j] = part * first
				out[j][0] = p[j]
			}
			n := q.w
			a0, a1, a2, a3 := in[0][:n], in[1][:n], in[2][:n], in[3][:n]
			r0, r1, r2, r3 := out[0][:n], out[1][:n], out[2][:n], out[3][:n]
			p0, p1, p2, p3 := p[0], p[1], p[2], p[3]
			for i := 1; i < n; i++ {
				p0, p1, p2, p3 = part*a0[i]+pole*p0, part*a1[i]+pole*p1, part*a2[i]+pole*p2, part*a3[i]+pole*p3
				r0[i], r1[i], r2[i], r3[i] = p0, p1, p2, p3
			}
			// Rows that are one and the same get the same.
			for j, v := range out {
				p[j] = (v[n-1] + pole*v[n-2]) / (1 + pole)
			}
			p0, p1, p2, p3 = p[0], p[1], p[2], p[3]
			r0[n-1], r1[n-1], r2[n-1], r3[n-1] = p0, p1, p2, p3
			for i := n - 2; i >= 0; i-- {
				s0, s1, s2, s3 := r0[i], r1[i], r2[i], r3[i]
				p0, p1, p2, p3 = part*s0+pole*p0, part*s1+pole*p1, part*s2+pole*p2, part*s3+pole*p3
				r0[i], r1[i], r2[i], r3[i] = p0, p1, p2, p3
			}
		}
	})
	// The same down the columns, a row at a time.
	parallel.Parts((q.w+strip-1)/strip, func(from, to int) {
		for k := from; k < to; k++ {
			row := func(y int) []float32 { return c[y*q.w+k*strip : y*q.w+min((k+1)*strip, q.w)] }
			first, power := row(0), float32(1)
			for y := 1; y < min(horizon, q.h); y++ {
				power *= pole
				for x, v := range row(y) {
					first[x] += power * v
				}
			}
			for x := range first {
				first[x] *= part
			}
			for y := 1; y < q.h; y++ {
				kernel.Mix(row(y), row(y), row(y-1), pole)
			}
			last, above := row(q.h-1), row(q.h-2)
			for x, v := range last {
				last[x] = (v + pole*above[x]) / (1 + pole)
			}
			for y := q.h - 2; y >= 0; y-- {
				kernel.Mix(row(y), row(y), row(y+1), pole)
			}
		}
	})
	return c
}
