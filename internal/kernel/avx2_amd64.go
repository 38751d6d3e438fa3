package kernel

import (
	"math"
	"unsafe"

	"golang.org/x/sys/cpu"
)

//go:generate go -C gen run . -pkg kernel -out ../avx2_amd64.s -stubs ../stub_amd64.go

// avx2 says that the processor has what the assembly uses. GODEBUG=cpu.avx2=off or cpu.fma=off
// makes it false.
var avx2 = cpu.X86.HasAVX2 && cpu.X86.HasFMA

func vectors() string {
	if avx2 {
		return "AVX2"
	}
	return ""
}

// whole returns how many of n values are done by vectors of so many, which must be a power of 2.
func whole(n, lanes int) int {
	if !avx2 {
		return 0
	}
	return n &^ (lanes - 1)
}

// Of 32 bits and of 8.
const lanes, byteLanes = 8, 32

// words are rows whose vectors are of whole numbers.
func words[T int8 | int32](p *T) *float32 { return (*float32)(unsafe.Pointer(p)) }

// numbers returns what the assembly for a Solve wants.
func (s *Solve) numbers() [10]float32 {
	low, high, floor := s.bits()
	return [10]float32{s.M[0], s.M[1], s.M[2], s.Gain, 1 / s.Gain, 0, math.Float32frombits(uint32(low)), math.Float32frombits(uint32(high)), math.Float32frombits(uint32(floor)), 1}
}

func rowFront(s *Solve, t []float32, p *[3][]float32, in *Row) (int, bool) {
	n := whole(len(t), lanes)
	if n == 0 {
		return 0, true
	}
	rows := [...]*float32{
		first(t, n), first(p[0], n), first(p[1], n), first(p[2], n),
		first(in.Band, n), first(in.Inverse, n), first(in.Color[0], n), first(in.Color[1], n), first(in.Color[2], n),
		first(in.DarkBand, n), first(in.DarkColor[0], n), first(in.DarkColor[1], n), first(in.DarkColor[2], n),
		first(in.Screen[0], n), first(in.Screen[1], n), first(in.Screen[2], n),
	}
	c := s.numbers()
	return n, rowAVX2(&rows[0], &c[0], n)
}

func overFront(s *Solve, t []float32, out *[3][]float32, in *Row, back *[3][]float32) (int, bool) {
	n := whole(len(t), lanes)
	if n == 0 {
		return 0, true
	}
	c := s.numbers()
	if in.Plain {
		rows := [...]*float32{
			first(t, n), first(out[0], n), first(out[1], n), first(out[2], n),
			first(in.Band, n), first(in.Inverse, n), first(in.Color[0], n), first(in.Color[1], n), first(in.Color[2], n),
			first(back[0], n), first(back[1], n), first(back[2], n),
		}
		return n, plainOverAVX2(&rows[0], &c[0], n)
	}
	rows := [...]*float32{
		first(t, n), first(out[0], n), first(out[1], n), first(out[2], n),
		first(in.Band, n), first(in.Inverse, n), first(in.Color[0], n), first(in.Color[1], n), first(in.Color[2], n),
		first(back[0], n), first(back[1], n), first(back[2], n),
		first(in.DarkBand, n), first(in.DarkColor[0], n), first(in.DarkColor[1], n), first(in.DarkColor[2], n),
		first(in.Screen[0], n), first(in.Screen[1], n), first(in.Screen[2], n),
	}
	return n, overAVX2(&rows[0], &c[0], n)
}

func overUnspilledFront(s *Solve, t []float32, out *[3][]float32, in *Row, back *[3][]float32, spill []float32) (int, bool) {
	n := whole(len(t), lanes)
	if n == 0 {
		return 0, true
	}
	c := s.numbers()
	rows := [...]*float32{
		first(t, n), first(out[0], n), first(out[1], n), first(out[2], n),
		first(in.Band, n), first(in.Inverse, n), first(in.Color[0], n), first(in.Color[1], n), first(in.Color[2], n),
		first(back[0], n), first(back[1], n), first(back[2], n),
		first(in.DarkBand, n), first(in.DarkColor[0], n), first(in.DarkColor[1], n), first(in.DarkColor[2], n),
		first(in.Screen[0], n), first(in.Screen[1], n), first(in.Screen[2], n), first(spill, n),
	}
	return n, overUnspilledAVX2(&rows[0], &c[0], n)
}

func heldFront(out, p, t, b []float32) int {
	n := whole(len(out), lanes)
	if n > 0 {
		rows := [...]*float32{first(out, n), first(p, n), first(t, n), first(b, n)}
		heldAVX2(&rows[0], n)
	}
	return n
}

func blendFront(dst, src []float32, stride int, weights []float32) int {
	n := whole(len(dst), lanes)
	if n > 0 {
		rows := [...]*float32{first(dst, n), first(src, (len(weights)-1)*stride+n)}
		blendAVX2(&rows[0], first(weights, 1), n, len(weights), stride)
	}
	return n
}

func slopedFront(s Slant, dst, src [][]float32, stride int) int { return 0 }

func slantedFront(dst, src []float32, stride int, at []int32, weights []float32) int {
	n := len(dst)
	if !avx2 || n == 0 {
		return 0
	}
	for _, k := range []int32{at[0], at[n-1]} { // the others lie between
		_ = src[k : int(k)+3*stride+4]
	}
	rows := [...]*float32{first(dst, n), first(src, 1), words(first(at, n)), first(weights, 8*n)}
	slantedAVX2(&rows[0], n, stride)
	return n
}

func placesFront(l *MapLine, dx, dy []float32, at [2]float32) int {
	n := whole(len(dx), lanes)
	if n > 0 {
		rows := [...]*float32{first(dx, n), first(dy, n)}
		c := struct {
			MapLine
			at              [2]float32
			lane            [lanes]float32
			lanes, one, far float32
		}{*l, at, [lanes]float32{0, 1, 2, 3, 4, 5, 6, 7}, lanes, 1, 0}
		if l.K1 != 0 || l.K2 != 0 {
			c.far = 1
		}
		placesAVX2(&rows[0], &c.Center, n)
	}
	return n
}

// How far the values of dst are between two nodes of Spread, and a half.
var spreadNumbers = func() (c [2*Apart + 1]float32) {
	for i := range 2 * Apart {
		c[i] = float32(i) * (1. / Apart)
	}
	c[2*Apart] = 0.5
	return c
}()

func spreadFront(dst, nodes []float32) int {
	n := whole(len(dst), 2*Apart)
	if n > 0 {
		rows := [...]*float32{first(dst, n), first(nodes, n/Apart+1)}
		spreadAVX2(&rows[0], &spreadNumbers[0], n)
	}
	return n
}

func cubicFront(r *Run, dst, src []float32, stride int, dx, dy []float32) int {
	// Whole vectors, as far as there is room: what they write after the run belongs to the next
	// run, which comes later.
	n := whole(max(0, min(r.To-r.From+lanes-1, cap(dst)-r.From, cap(dx)-r.From, cap(dy)-r.From, len(src)-r.At-3*stride-3)), lanes)
	if n > 0 {
		rows := [...]*float32{
			first(dst[r.From:], n), first(dx[r.From:], n), first(dy[r.From:], n),
			first(src[r.At:], n+3), first(src[r.At+stride:], n+3), first(src[r.At+2*stride:], n+3), first(src[r.At+3*stride:], n+3),
		}
		c := [...]float32{r.X, r.Y, 1, -0.5}
		cubicAVX2(&rows[0], &c[0], n)
	}
	return n
}

func foursFront(f *Fours, dst, line []float32) int {
	n := whole(f.n, 4)
	if n > 0 {
		rows := [...]*float32{first(dst, n), first(line, f.line), words(first(f.picks, 4*n)), first(f.weights, 4*n), words(first(f.at, n/4))}
		foursAVX2(&rows[0], n)
	}
	return n
}

func threeFoursFront(f *Fours, dst, lines *[3][]float32) int {
	n, line := whole(f.n, 4), f.line
	if n > 0 {
		rows := [...]*float32{
			first(dst[0], n), first(dst[1], n), first(dst[2], n), first(lines[0], line), first(lines[1], line), first(lines[2], line),
			words(first(f.picks, 4*n)), first(f.weights, 4*n), words(first(f.at, n/4)),
		}
		threeFoursAVX2(&rows[0], n)
	}
	return n
}

func mixFront(dst, a, b []float32, part float32) int {
	n := whole(len(dst), lanes)
	if n > 0 {
		rows := [...]*float32{first(dst, n), first(a, n), first(b, n)}
		mixAVX2(&rows[0], &part, n)
	}
	return n
}

func raiseFront(dst, a []float32) int {
	n := whole(len(dst), lanes)
	if n > 0 {
		rows := [...]*float32{first(dst, n), first(a, n)}
		raiseAVX2(&rows[0], n)
	}
	return n
}

func unspillFront(u *Unspill, t, moved, spill []float32) (n, count int) {
	if n = whole(len(t), lanes); n == 0 {
		return 0, 0
	}
	var counts [lanes]int32
	rows := [...]*float32{first(t, n), first(moved, n), first(spill, n), words(&counts[0])}
	c := [...]float32{u.Gain, u.Counts, 1, math.Float32frombits(uint32(u.floor()))}
	unspillAVX2(&rows[0], &c[0], n)
	for _, some := range counts {
		count += int(some)
	}
	return n, count
}

func mean3Front(dst, a, b, c []float32) int {
	n := whole(len(dst), lanes)
	if n > 0 {
		rows := [...]*float32{first(dst, n), first(a, n), first(b, n), first(c, n)}
		third := float32(1. / 3)
		mean3AVX2(&rows[0], &third, n)
	}
	return n
}

func mean2Front(dst, a, b []float32) int {
	n := whole(len(dst), lanes)
	if n > 0 {
		rows := [...]*float32{first(dst, n), first(a, n), first(b, n)}
		half := float32(0.5)
		mean2AVX2(&rows[0], &half, n)
	}
	return n
}

func weighFront(dst, a, b, c []float32, weights *[3]float32) int {
	n := whole(len(dst), lanes)
	if n > 0 {
		rows := [...]*float32{first(dst, n), first(a, n), first(b, n), first(c, n)}
		weighAVX2(&rows[0], &weights[0], n)
	}
	return n
}

func matrixFront(rgb *[3][]float32, m *[12]float32) int {
	n := whole(len(rgb[0]), lanes)
	if n > 0 {
		rows := [...]*float32{first(rgb[0], n), first(rgb[1], n), first(rgb[2], n)}
		matrixAVX2(&rows[0], &m[0], n)
	}
	return n
}

func decimateFront(dst, src []float32) int {
	n := whole(len(dst), lanes)
	if n > 0 {
		rows := [...]*float32{first(dst, n), first(src, 2*n+2)}
		parts := [...]float32{0.5, 0.25}
		decimateAVX2(&rows[0], &parts[0], n)
	}
	return n
}

func quantizeFront(dst []byte, size int, a, b []float32, scale, by, zero float32) int {
	n := whole(len(a), lanes)
	if n > 0 {
		to, rows, c := first(dst, size*n), [...]*float32{first(a, n), first(b, n)}, [...]float32{scale, by, zero}
		if size == 1 {
			quantize8AVX2(to, &rows[0], &c[0], n)
		} else {
			quantize16AVX2(to, &rows[0], &c[0], n)
		}
	}
	return n
}

func insideFront(inside []int32, row []float32, low, high float32) int {
	n := whole(len(row), lanes)
	if n > 0 {
		rows := [...]*float32{words(first(inside[Reach:], n)), first(row, n)}
		c := [...]float32{low, high}
		insideAVX2(&rows[0], &c[0], n)
	}
	return n
}

func barFront(barred, inside []int32, mark int32) int {
	n := whole(len(barred), lanes)
	if n > 0 {
		rows := [...]*float32{words(first(barred, n)), words(first(inside, n+2*Reach))}
		barAVX2(&rows[0], words(&mark), n)
	}
	return n
}

func tallyFront(t *Tally, row []float32, barred []int32, mark int32, center float32) int {
	n := whole(len(row), lanes)
	if n > 0 {
		rows := [...]*float32{first(t.Sum, n), first(t.Sum2, n), words(first(t.Count, n)), first(row, n), words(first(barred, n))}
		c := [...]float32{center, math.Float32frombits(uint32(mark))}
		tallyAVX2(&rows[0], &c[0], n)
	}
	return n
}

func finiteFront(s []float32) (int, bool) {
	n := whole(len(s), lanes)
	if n == 0 {
		return 0, true
	}
	row := first(s, n)
	return n, finiteAVX2(&row, n)
}

func plusFront(dst, a, b []byte) int {
	n := whole(len(dst), byteLanes)
	if n > 0 {
		rows := [...]*byte{first(dst, n), first(a, n), first(b, n)}
		plusAVX2(&rows[0], n)
	}
	return n
}

func minusFront(dst, a, b []byte) int {
	n := whole(len(dst), byteLanes)
	if n > 0 {
		rows := [...]*byte{first(dst, n), first(a, n), first(b, n)}
		minusAVX2(&rows[0], n)
	}
	return n
}

// runningMasks has, for pixels of 1 to 8 bytes, what the assembly wants: where each byte of 16
// comes from, those of a step that are moved on by one pixel, by two, four and eight, and those of
// its last pixel, for every pixel of the next. 0x80 is none.
var runningMasks = func() (masks [9][5][16]byte) {
	for n := 1; n <= 8; n++ {
		m := &masks[n]
		for i := range 16 {
			for k := range 4 {
				m[k][i] = byte(i - n<<k)
				if i < n<<k {
					m[k][i] = 0x80
				}
			}
			m[4][i] = byte(runningStep(n) - n + i%n)
		}
	}
	return masks
}()

// runningStep is how many bytes of 16 are done at once: whole pixels.
func runningStep(n int) int { return 16 / n * n }

func runningFront(line []byte, n int) int {
	// The assembly reads and writes 16 bytes beyond the step that is the last.
	most := whole(len(line)-16, 1)
	if n < 1 || n > 8 || most < 16 {
		return 0
	}
	step := runningStep(n)
	most -= most % step
	runningAVX2(first(line, most+16), &runningMasks[n], step, most)
	return most
}

// What the bytes of a vector count in the second sum of Adler-32 beside those of the next.
var adlerWeights = func() (w [byteLanes]byte) {
	for i := range w {
		w[i] = byte(byteLanes - i)
	}
	return w
}()

func adlerFront(b []byte) (sum uint32, n int) {
	// Few enough for the products' 32 bits, in each of which a vector adds 4 x 32 x 255 at the most.
	const most = 1 << 18
	n, sum = whole(len(b), byteLanes), 1
	for i := 0; i < n; i += most {
		part := b[i:min(n, i+most)]
		one, weighted := adlerAVX2(&part[0], len(part), &adlerWeights)
		sum = JoinAdler32(sum, uint32((1+one)%adlerMod|(uint64(len(part))+weighted)%adlerMod<<16), len(part))
	}
	return sum, n
}

func floatsFront(dst []float32, src []byte, size, step int) int {
	n := len(dst)
	if step > 1 {
		n-- // behind the last value there may be nothing
	}
	n = whole(n, lanes)
	if n <= 0 {
		return 0
	}
	d, s := first(dst, n), first(src, n*size*step)
	switch [2]int{size, step} {
	case [2]int{1, 1}:
		floats1AVX2(d, s, n)
	case [2]int{1, 2}:
		floats12AVX2(d, s, n)
	case [2]int{2, 1}:
		floats2AVX2(d, s, n)
	case [2]int{2, 2}:
		floats22AVX2(d, s, n)
	default:
		return 0
	}
	return n
}

func videoFront(v *Video, red, green, blue []int32, luma, cb, cr []float32) int {
	n := whole(len(red), lanes)
	if n > 0 {
		rows := [...]*float32{words(first(red, n)), words(first(green, n)), words(first(blue, n)), first(luma, n), first(cb, n), first(cr, n)}
		c := [...]float32{v.Luma[0], v.Luma[1], v.Chroma[0], v.Chroma[1], v.Red, v.Blue, v.Green[0], v.Green[1], float32(v.Most)}
		videoAVX2(&rows[0], &c[0], n)
	}
	return n
}

func stepsFront(s *Steps, dst, light []float32, unit float32) (int, bool) {
	n := whole(len(dst), lanes)
	if n == 0 {
		return 0, true
	}
	rows := [...]*float32{first(dst, n), first(light, n), &s.Lines[0][0], words(&s.From[0])}
	numbers := struct {
		low, high, unit float32
		first, last     int32
	}{s.Low, s.High, unit, s.First, int32(len(s.From) - 3)}
	return n, stepsAVX2(&rows[0], &numbers.low, n)
}

func gramFront(out []float64, rows [][Columns]float64, parts, values int, w []float64) int {
	n := whole(len(rows)/parts, 1)
	if n > 0 {
		gramAVX2(first(out, parts*parts*Columns*Columns), &first(rows, n*parts)[0], first(w, n), n, parts, min((values+3)&^3, parts*Columns))
	}
	return n
}

func foldFront(out *[Columns]float64, rows [][Columns]float64, c []float64) int {
	n := whole(len(rows), 1)
	if n > 0 {
		factors := first(c, n)
		foldAVX2(&out[0], &rows[0][0], &factors, n)
	}
	return n
}

func fold3Front(out *[3][Columns]float64, rows [][Columns]float64, c *[3][]float64) int {
	n := whole(len(rows), 1)
	if n > 0 {
		factors := [...]*float64{first(c[0], n), first(c[1], n), first(c[2], n)}
		fold3AVX2(&out[0][0], &rows[0][0], &factors[0], n)
	}
	return n
}

func dotsFront(out []float64, rows [][Columns]float64, by *[Columns]float64) int {
	n := whole(len(out), 4)
	if n > 0 {
		dotsAVX2(first(out, n), &first(rows, n)[0], &by[0], n)
	}
	return n
}

// splineNumbers are the weights along two axes, by the powers of the place: of the value, of the slope
// and of the second derivative; and those of a pair that go to either half of a vector.
var splineNumbers = func() (c [8][2][4]float32) {
	for k := range 2 {
		for i := range 4 {
			w := func(power int) float32 { return splineWeights[power][i] }
			for row, v := range [8]float32{w(0), w(1), w(2), w(3), 2 * w(2), 3 * w(3), 6 * w(3), 0} {
				c[row][k][i] = v
			}
			c[7][k][i] = math.Float32frombits(uint32(k))
		}
	}
	return c
}()

func splineFront(out [][4]float32, c []float32, stride int, at []int32, parts [][2]float32) int {
	n := whole(len(out), 1)
	if n == 0 {
		return 0
	}
	low, high := at[0], at[0]
	for _, k := range at {
		low, high = min(low, k), max(high, k)
	}
	_, _ = c[low], c[int(high)+3*stride+3]
	splineAVX2(&out[0][0], first(c, 1), stride, first(at, n), &parts[0][0], &splineNumbers[0][0][0], n)
	return n
}

func moveFront(sums *[7]float64, out *[3][]float64, w *Window, c *[Columns]float64) int {
	n := whole(len(w.X), 4)
	if n == 0 {
		return 0
	}
	rows := [...]*float64{
		first(out[0], n), first(out[1], n), first(out[2], n), first(w.X, n), first(w.Y, n),
		first(w.SlopeX, n), first(w.SlopeY, n), first(w.Bend, n), first(w.ToX, n), first(w.ToY, n),
		first(w.TurnX, n), first(w.TurnY, n), first(w.Left, n), first(w.Weight, n),
	}
	numbers := [...]float64{c[1] - (c[4]+c[6])/3, c[2], c[3], c[4], c[5], c[6], 2 * c[4], 2 * c[6]}
	var all [8][4]float64
	for i, v := range numbers {
		all[i] = [4]float64{v, v, v, v}
	}
	var parts [7][4]float64
	moveAVX2(&parts[0][0], &rows[0], &all[0][0], n)
	for i, p := range parts {
		sums[i] = p[0] + p[1] + (p[2] + p[3])
	}
	return n
}

// Only the browser's engine makes half floats of rows.

func halvesFront(dst []uint32, src []float32) int { return 0 }

func weaveFront(high, low []uint32, planes *[4][]uint32) int { return 0 }
