// Package kernel holds the arithmetic that is done for every pixel of every frame, row by row: the
// solution of a row, the hold-out, and the bicubic resampling.
//
// Plain loops define what each of them gives. Vectors do the front of a row where there are any, as
// far as whole ones go, and the plain loops the rest: the functions whose names end in Front do as
// much as they can, and return how many values that was. They are
//
//   - on amd64 assembly for AVX2, which gen writes (avx2_amd64.go, avx2_amd64.s). It is in every
//     build, and used where the processor has AVX2 and FMA;
//   - elsewhere what the portable vector package makes, where the toolchain has that (vector.go);
//   - or nothing (none.go).
//
// Products are rounded before they are added, so that Solve, Held, Blend, Fours, Slant and Matrix
// give the same bits on every machine. MapLine, Spread, Cubic, Gram and Fold may fuse them, and
// agree to a few units in the last place.
package kernel

import "slices"

// Vectors says by what the kernels are done: "AVX2", the portable vectors and their length, or
// "plain loops".
func Vectors() string {
	if v := vectors(); v != "" {
		return v
	}
	return "plain loops"
}

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
	i, ok := rowFront(s, t, p, in)
	return s.solve(i, t, p, in) && ok
}

// Over is Row with the foreground added to the background at once: out = P + t B. P is not stored.
func (s *Solve) Over(t []float32, out *[3][]float32, in *Row, back *[3][]float32) bool {
	i, ok := overFront(s, t, out, in, back)
	if in.Plain {
		return s.plainOver(i, t, out, in, back) && ok
	}
	return s.over(i, t, out, in, back) && ok
}

// OverUnspilled is Over with light taken off that fell on the performer: of what is measured,
// t + (1 - t) s with the spill s, which must be below 1, it leaves t, and P gets back the screen's
// light that goes with the rest. In is read as if it were not plain.
func (s *Solve) OverUnspilled(t []float32, out *[3][]float32, in *Row, back *[3][]float32, spill []float32) bool {
	i, ok := overUnspilledFront(s, t, out, in, back, spill)
	return s.overUnspilled(i, t, out, in, back, spill) && ok
}

// Part returns the part of the rows from pixel i up to but not including j.
func (r *Row) Part(i, j int) Row {
	three := func(p *[3][]float32) [3][]float32 { return [3][]float32{p[0][i:j], p[1][i:j], p[2][i:j]} }
	return Row{r.Band[i:j], r.DarkBand[i:j], r.Inverse[i:j], three(&r.Color), three(&r.DarkColor), three(&r.Screen), r.Plain}
}

// Held sets out to p + t b. The rows have the length of out; out may be one of them.
func Held(out, p, t, b []float32) {
	held(heldFront(out, p, t, b), out, p, t, b)
}

// Blend sets dst to a sum of rows of its length, of which each begins stride values after the one
// before it in src: each times its weight, of which there is one at least. With a stride of 1 it
// convolves a row. It gives the same bits on every machine, and is quickest for whole vectors.
func Blend(dst, src []float32, stride int, weights []float32) {
	if len(dst) == 0 {
		return
	}
	src = src[:(len(weights)-1)*stride+len(dst)]
	blendFrom(blendFront(dst, src, stride, weights), dst, src, stride, weights)
}

// Places fills dx and dy, which have one length, with the displacements of the pixels x, x+step,
// x+2 step and so on.
func (l *MapLine) Places(dx, dy []float32, x, step float32) {
	at := [2]float32{x, step}
	l.places(placesFront(l, dx, dy, at), dx, dy, at)
}

// Apart is how many pixels there are from one node of Spread to the next.
const Apart = 16

// Spread fills dst, whose length is a multiple of 2 Apart, with what is between nodes, the values
// at every Apart-th place of dst and at the one after its end: by a parabola through three nodes
// each.
func Spread(dst, nodes []float32) {
	nodes = nodes[:len(dst)/Apart+1]
	spreadFrom(spreadFront(dst, nodes), dst, nodes)
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
	for k := range runs {
		r := &runs[k]
		if i := cubicFront(r, dst, src, stride, dx, dy); i < r.To-r.From {
			r.cubic(i, dst, src, stride, dx, dy)
		}
	}
}

// Fours make a row of a line that is enlarged: each pixel is the sum of four neighbors in the line,
// each times its weight. They give the same bits on every machine.
type Fours struct {
	n, line int       // pixels, and how long the line is
	at      []int32   // of four pixels, the place in the line that their picks count from
	picks   []int8    // of each pixel, the four bytes of its first neighbor, from there on
	weights []float32 // of four pixels, those of their first neighbors, then of their second ones, and so on
}

// NewFours returns the Fours of so long a line whose pixel i has the neighbors from at[i] on, with
// weights[i]. It returns nil where four pixels have neighbors too far apart, as they have in a line
// that shrinks, or the line is too short for vectors.
func NewFours(line int, at []int32, weights [][4]float32) *Fours {
	const reach = 4 // first neighbors of four pixels, which one vector has
	whole := (len(at) + 3) / 4
	f := &Fours{n: len(at), line: line, at: make([]int32, whole), picks: make([]int8, 16*whole), weights: make([]float32, 16*whole)}
	last := int32(line - 3 - reach) // from which on all four vectors are in the line
	for g := range f.at {
		four := at[4*g : min(4*g+4, len(at))]
		f.at[g] = min(slices.Min(four), last)
		if f.at[g] < 0 || slices.Max(four) >= f.at[g]+reach {
			return nil
		}
		for i, first := range four {
			for b := range 4 {
				f.picks[16*g+4*i+b] = int8(4*(first-f.at[g])) + int8(b)
				f.weights[16*g+4*b+i] = weights[4*g+i][b]
			}
		}
	}
	return f
}

// Row sets dst to the row of a line.
func (f *Fours) Row(dst, line []float32) {
	dst, line = dst[:f.n], line[:f.line]
	f.from(foursFront(f, dst, line), dst, line)
}

// Three is Row for three lines.
func (f *Fours) Three(dst, lines *[3][]float32) {
	var to, from [3][]float32
	for c := range to {
		to[c], from[c] = dst[c][:f.n], lines[c][:f.line]
	}
	i := threeFoursFront(f, &to, &from)
	for c := range to {
		f.from(i, to[c], from[c])
	}
}

// A Slant says where the pixels of a row lie in a picture that is turned: the first at X and Y,
// each next one DX and DY on, in steps of 1/Whole of a pixel. Whole numbers are the centers of
// pixels.
type Slant struct{ X, Y, DX, DY int64 }

// Whole is how many steps of a Slant a pixel has.
const Whole = 1 << 32

// At returns the Slant of the pixels from number i on.
func (s Slant) At(i int) Slant {
	return Slant{s.X + int64(i)*s.DX, s.Y + int64(i)*s.DY, s.DX, s.DY}
}

// Cubic resamples planes of a picture, whose rows are stride apart, into rows: dst and src have as
// many planes. All of the four neighbors across and down must be in the picture. It gives the same
// bits on every machine.
func (s Slant) Cubic(dst, src [][]float32, stride int) {
	const block = 128 // pixels, whose weights are in the first cache
	var at [block]int32
	var weights [block * 8]float32
	for i := slopedFront(s, dst, src, stride); i < len(dst[0]); i += block {
		n := min(block, len(dst[0])-i)
		s.At(i).weights(at[:n], weights[:8*n], stride)
		for c := range dst {
			to := dst[c][i : i+n]
			slantedFrom(slantedFront(to, src[c], stride, at[:n], weights[:8*n]), to, src[c], stride, at[:n], weights[:8*n])
		}
	}
}

// Finite reports whether no value is NaN or infinite.
func Finite(s []float32) bool {
	i, ok := finiteFront(s)
	return ok && allFinite(s[i:])
}

// Halves sets dst to the bits of the IEEE 754 binary16 numbers nearest to src, the even one of two.
// What is too large becomes the largest number, and what is not a number becomes 0. Both have one
// length.
func Halves(dst []uint32, src []float32) {
	src = src[:len(dst)]
	halvesFrom(halvesFront(dst, src), dst, src)
}

// Weave parts the halves of four planes into their high and their low bytes, those of a pixel
// together, red lowest. All rows have the length of high.
func Weave(high, low []uint32, planes *[4][]uint32) {
	weaveFrom(weaveFront(high, low, planes), high, low, planes)
}

// A Video says where in a table of light Y'CbCr is: with Y, U and V the values Scale x + Zero of
// luma and chroma,
//
//	red = Y + Red V,  green = Y + Green[0] U + Green[1] V,  blue = Y + Blue U
//
// Most is the last place, less than 1<<24.
type Video struct {
	Luma, Chroma [2]float32 // Scale and Zero
	Red, Blue    float32
	Green        [2]float32
	Most         int32
}

// Places fills red, green and blue with places in the table, whole numbers from 0 to Most, rounded
// toward 0; one for what is not a number is anywhere between. All have red's length.
func (v *Video) Places(red, green, blue []int32, luma, cb, cr []float32) {
	v.places(videoFront(v, red, green, blue, luma, cb, cr), red, green, blue, luma, cb, cr)
}
