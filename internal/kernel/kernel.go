// Package kernel holds the arithmetic that is done for every pixel of every frame, row by row: the
// solution of a row, the hold-out, and the bicubic resampling. Where the toolchain has the portable
// vector package the kernels use it; everywhere else they are plain loops of the same meaning,
// which also do the last few pixels of a row for the vector ones.
//
// Products are rounded before they are added, so that Solve and Held give the same bits on every
// machine. The resampling may fuse them, and agrees to a few units in the last place.
package kernel

// Pad is how many values beyond its row a scratch row must have: the widest vector less one pixel,
// rounded up.
const Pad = 16

// Solve holds what does not change within a frame, for the solution of package matte's capture
// model
//
//	t = (N' - m . C') / (g (S - m . K))
//	P = C' - g t K
type Solve struct {
	M      [3]float32 // m
	Gain   float32    // g
	ClampT bool       // t is brought between 0 and 1 after P is made
	ClampP bool       // P is brought to 0 at the least
}

// A Row is one row of every plate, all of one length.
type Row struct {
	Band, DarkBand, Inverse  []float32    // N, its dark plate, and 1/(S - m . K)
	Color, DarkColor, Screen [3][]float32 // C, its dark plate, and K
	Plain                    bool         // the dark plates and K are 0: they need not be read
}

// cut returns the row with its slices cut to n values each, so that it panics here and not halfway.
func (r *Row) cut(n int) Row {
	return Row{r.Band[:n], r.DarkBand[:n], r.Inverse[:n], cut(&r.Color, n), cut(&r.DarkColor, n), cut(&r.Screen, n), r.Plain}
}

func cut(p *[3][]float32, n int) [3][]float32 {
	return [3][]float32{p[0][:n], p[1][:n], p[2][:n]}
}

// A MapLine says where in the band plate the pixels of a row are, as displacements: with x the
// pixel's place in the row, xc = x - Center, r2 = (xc^2 + YC2) Unit, s = r2 (K1 + r2 K2), e = xc s
// and f = YC s,
//
//	w  = W[0] + W[1] x + W[2] e + W[3] f
//	dx = (X[0] + x (X[1] + x X[2] + e X[4] + f X[6]) + e X[3] + f X[5]) / w
//	dy = (Y[0] + x Y[1] + e Y[2] + f Y[3]) / w
//
// Every term is about as large as the displacement, and not as the frame: so float32 is enough.
type MapLine struct {
	Center, YC, YC2, Unit, K1, K2 float32
	W                             [4]float32
	X                             [7]float32
	Y                             [4]float32
}

// Row solves one row into t and p, and reports whether every value was finite before it was
// clamped. All rows have the length of t; in's and p's may be longer.
func (s *Solve) Row(t []float32, p *[3][]float32, in *Row) bool {
	ok := solveRow(s, t, p, in)
	settle()
	return ok
}

// Over is Row with the foreground added to the background at once: out = P + t B. P is not stored.
func (s *Solve) Over(t []float32, out *[3][]float32, in *Row, back *[3][]float32) bool {
	ok := solveOver(s, t, out, in, back)
	settle()
	return ok
}

// Held sets out to p + t b. The rows have the length of out; out may be one of them.
func Held(out, p, t, b []float32) {
	addHeld(out, p, t, b)
	settle()
}

// Places fills dx and dy, which have one length, with the displacements of the pixels x, x+step,
// x+2 step and so on.
func (l *MapLine) Places(dx, dy []float32, x, step float32) {
	places(l, dx, dy, &[2]float32{x, step})
	settle()
}

// Apart is how many pixels there are from one node of Spread to the next.
const Apart = 16

// Spread fills dst, whose length is a multiple of 2 Apart, with what is between nodes, the values
// at every Apart-th place of dst and at the one after its end: by a parabola through three nodes
// each.
func Spread(dst, nodes []float32) {
	spread(dst, nodes[:len(dst)/Apart+1])
	settle()
}

// A Run is a part of a row, from pixel From up to but not including To, whose displacements have
// the same whole numbers X and Y below them. The four pixels at At of the plate that is resampled
// and in the three rows after it are those around pixel From; each next pixel has the next ones.
type Run struct {
	From, To, At int
	X, Y         float32
}

// Cubic resamples the runs of a row, which are in their order, from src, whose rows are stride
// apart, into dst. Up to Pad values after a run, as far as dst's capacity goes, may be overwritten.
// dst, dx and dy have one length; Cubic is quickest where they have Pad values more of capacity.
func Cubic(dst, src []float32, stride int, dx, dy []float32, runs []Run) {
	resample(dst, src, stride, dx, dy, runs)
	settle()
}

// Finite reports whether no value is NaN or infinite.
func Finite(s []float32) bool {
	ok := finite(s)
	settle()
	return ok
}

// Halves sets dst to the bits of the IEEE 754 binary16 numbers nearest to src, the even one of two.
// What is too large becomes the largest number, and what is not a number becomes 0. Both have one
// length.
func Halves(dst []uint32, src []float32) {
	halves(dst, src[:len(dst)])
	settle()
}

// Weave parts the halves of four planes into their high and their low bytes, those of a pixel
// together, red lowest. All rows have the length of high.
func Weave(high, low []uint32, planes *[4][]uint32) {
	weave(high, low, planes)
	settle()
}

// A Video says where in a table of light Y'CbCr is: with Y, U and V the values Scale x + Zero of
// luma and chroma,
//
//	red = Y + Red V,  green = Y + Green[0] U + Green[1] V,  blue = Y + Blue U
type Video struct {
	Luma, Chroma [2]float32 // Scale and Zero
	Red, Blue    float32
	Green        [2]float32
	Most         int32
}

// Places fills red, green and blue with places in the table, whole numbers from 0 to Most, rounded
// toward 0. All have red's length.
func (v *Video) Places(red, green, blue []int32, luma, cb, cr []float32) {
	videoPlaces(v, red, green, blue, luma, cb, cr)
	settle()
}
