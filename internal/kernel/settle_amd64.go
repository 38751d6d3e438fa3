//go:build goexperiment.simd && go1.27

package kernel

import "simd/archsimd"

var avx = archsimd.X86.AVX()

// settle clears the vectors' upper halves. Go 1.27's code for single floats leaves them as they
// are, and each of its instructions then waits for the one before it.
func settle() {
	if avx {
		archsimd.ClearAVXUpperBits()
	}
}
