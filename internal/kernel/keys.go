package kernel

import "math"

// Keys is the cubic convolution kernel of Keys 1981, equation 15, with a = -1/2.
func Keys(x float64) float64 {
	x = math.Abs(x)
	switch {
	case x < 1:
		return (1.5*x-2.5)*x*x + 1
	case x < 2:
		return ((-0.5*x+2.5)*x-4)*x + 2
	}
	return 0
}
