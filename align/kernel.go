package align

import (
	"math"

	"example.com/twinplate/internal/kernel"
	"example.com/twinplate/internal/names"
)

// A Kernel is the way of a Resampler between the pixels. The zero value is Bicubic.
type Kernel int

const (
	// Bicubic is the cubic convolution of Keys 1981 with a = -0.5, over 4x4 pixels: exact for
	// quadratics, with little ringing. It is the quickest by far.
	Bicubic Kernel = iota

	// Lanczos3 is the sinc function windowed by its own middle lobe stretched to three pixels, over
	// 6x6 pixels, normalized (Duchon 1979; Turkowski 1990): it keeps the most detail, and rings the
	// most.
	Lanczos3

	// Bilinear weights the 2x2 pixels around the place: it never overshoots, and softens the most.
	Bilinear
)

var kernels = []struct {
	reach int // pixels from the place to where the kernel ends
	value func(x float64) float64
}{
	Bicubic:  {2, kernel.Keys},
	Lanczos3: {3, lanczos3},
	Bilinear: {1, func(x float64) float64 { return math.Max(0, 1-math.Abs(x)) }},
}

var kernelNames = &names.Enum[Kernel]{Package: "align", Type: "Kernel", What: "kernel", Names: []string{Bicubic: "bicubic", Lanczos3: "lanczos3", Bilinear: "bilinear"}}

func lanczos3(x float64) float64 {
	switch x = math.Pi * math.Abs(x); {
	case x == 0:
		return 1
	case x >= 3*math.Pi:
		return 0
	}
	return 3 * math.Sin(x) * math.Sin(x/3) / (x * x)
}

// String returns the kernel's name: bicubic, lanczos3 or bilinear.
func (k Kernel) String() string { return kernelNames.String(k) }

// ParseKernel returns the kernel of that name; case does not count. The error of an unknown name
// suggests the nearest.
func ParseKernel(name string) (Kernel, error) { return kernelNames.Parse(name) }

// MarshalText gives the kernel's name, for JSON and flags.
func (k Kernel) MarshalText() ([]byte, error) { return kernelNames.Text(k) }

// UnmarshalText reads a name as ParseKernel does.
func (k *Kernel) UnmarshalText(text []byte) (err error) {
	*k, err = ParseKernel(string(text))
	return err
}

// A weights holds a kernel's weights along one axis, at each of a number of fractions of a pixel;
// the first is that of the pixel at the place's floor + first.
type weights struct {
	n, first, phases int
	w                []float32 // n weights a phase, of phases+1
}

// narrow is the scale up to which a kernel is not widened: little aliases, and the picture stays
// crisp. Chosen by hand.
const narrow = 1.2

// newWeights tabulates k widened by scale, or not widened where scale is at most narrow.
func newWeights(k Kernel, scale float64) *weights {
	const (
		usual = 1 << 10 // fractions of a pixel: places are then off by a 2000th of one at most
		fine  = 1 << 14 // of Lanczos3, which is steeper than the others, where it is not widened
	)
	phases := usual
	if scale <= narrow {
		scale = 1
		if k == Lanczos3 {
			phases = fine
		}
	}
	reach := int(math.Ceil(float64(kernels[k].reach) * scale))
	t := &weights{n: 2 * reach, first: 1 - reach, phases: phases}
	t.w = make([]float32, (phases+1)*t.n)
	one := make([]float64, t.n)
	for p := range phases + 1 {
		sum := 0.0
		for i := range one {
			one[i] = kernels[k].value((float64(t.first+i) - float64(p)/float64(phases)) / scale)
			sum += one[i]
		}
		for i, v := range one {
			t.w[p*t.n+i] = float32(v / sum)
		}
	}
	return t
}

// at returns the index of the first pixel and the weights for a place along the axis.
func (t *weights) at(x float64) (first int, w []float32) {
	f := math.Floor(x)
	p := int((x-f)*float64(t.phases) + 0.5)
	return int(f) + t.first, t.w[p*t.n : (p+1)*t.n]
}
