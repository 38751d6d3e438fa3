package simulate

import (
	"example.com/twinplate/internal/parallel"
	"math"
)

// lens returns the taps of a Gaussian of the sigma given, in samples, followed by a pixel's
// aperture of n samples; tap j belongs to the sample j - lead from the aperture's first.
func lens(sigma float64, n int) (taps []float32, lead int) {
	lead = int(math.Ceil(4 * sigma))
	g := make([]float64, 2*lead+1)
	sum := 0.0
	for j := range g {
		d := float64(j - lead)
		if sigma > 0 {
			g[j] = math.Exp(-d * d / (2 * sigma * sigma))
		} else {
			g[j] = 1
		}
		sum += g[j]
	}
	wide := make([]float64, 2*lead+n)
	for j, v := range g {
		for k := range n {
			wide[j+k] += v / sum / float64(n)
		}
	}
	taps = make([]float32, len(wide))
	for j, v := range wide {
		taps[j] = float32(v)
	}
	return taps, lead
}

// filter convolves src, w by h, along both axes, and keeps every step-th sample: dst[k] = sum over
// j of taps[j] src[step k + j - lead]. The frame's edge pixels are repeated outside it.
func filter(src []float32, w, h, step int, taps []float32, lead int) []float32 {
	if len(taps) == 1 && step == 1 {
		return append([]float32(nil), src...)
	}
	all := make([]float32, (len(taps)+3)/4*4) // with zeros to the next four
	copy(all, taps)
	ow, oh := w/step, h/step
	mid := make([]float32, ow*h)
	parallel.Parts(h, func(y0, y1 int) {
		pad := make([]float32, w+len(all))
		for y := y0; y < y1; y++ {
			row := src[y*w : (y+1)*w]
			for i := range pad {
				pad[i] = row[min(max(i-lead, 0), w-1)]
			}
			out := mid[y*ow : (y+1)*ow]
			for j := 0; j < len(all); j += 4 { // four taps at a time
				a, b, c, d := all[j], all[j+1], all[j+2], all[j+3]
				for x := range out {
					p := pad[x*step+j:]
					p = p[:4]
					out[x] += a*p[0] + b*p[1] + c*p[2] + d*p[3]
				}
			}
		}
	})
	dst := make([]float32, ow*oh)
	parallel.Each(oh, func(y int) {
		out := dst[y*ow : (y+1)*ow]
		for j := 0; j < len(all); j += 4 {
			row := func(j int) []float32 {
				sy := min(max(y*step+j-lead, 0), h-1)
				return mid[sy*ow : (sy+1)*ow][:len(out)]
			}
			a, b, c, d := all[j], all[j+1], all[j+2], all[j+3]
			p, q, r, s := row(j), row(j+1), row(j+2), row(j+3)
			for x := range out {
				out[x] += a*p[x] + b*q[x] + c*r[x] + d*s[x]
			}
		}
	})
	return dst
}

// cubic returns the value of src, w by h, at (x, y) by Keys's cubic with a = -1/2 (Keys 1981). It
// passes through the samples. The frame's edge pixels are repeated outside it.
func cubic(src []float32, w, h int, x, y float64) float32 {
	fx, fy := math.Floor(x), math.Floor(y)
	ix, iy := int(fx), int(fy)
	kx, ky := keys(float32(x-fx)), keys(float32(y-fy))
	var s float32
	if ix >= 1 && iy >= 1 && ix+2 < w && iy+2 < h {
		for j, k := range ky {
			p := src[(iy-1+j)*w+ix-1:]
			p = p[:4]
			s += k * (kx[0]*p[0] + kx[1]*p[1] + kx[2]*p[2] + kx[3]*p[3])
		}
		return s
	}
	for j, k := range ky {
		row := src[min(max(iy-1+j, 0), h-1)*w:]
		for i, l := range kx {
			s += k * l * row[min(max(ix-1+i, 0), w-1)]
		}
	}
	return s
}

func keys(t float32) [4]float32 {
	return [4]float32{
		t * (-0.5 + t*(1-0.5*t)),
		1 + t*t*(-2.5+1.5*t),
		t * (0.5 + t*(2-1.5*t)),
		t * t * (-0.5 + 0.5*t),
	}
}
