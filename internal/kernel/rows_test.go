package kernel

import (
	"encoding/binary"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"
)

func TestFloats(t *testing.T) {
	r := rand.New(rand.NewPCG(41, 42))
	for _, n := range lengths {
		for _, size := range []int{1, 2} {
			for _, step := range []int{1, 2} {
				src := randomBytes(r, max(0, (n-1)*size*step+size))
				dst := make([]float32, n)
				Floats(dst, src, size, step)
				for i, v := range dst {
					want := int(src[i*size*step])
					if size == 2 {
						want |= int(src[i*size*step+1]) << 8
					}
					if v != float32(want) {
						t.Fatalf("%d values of %d bytes, every %d: number %d is %v, want %d", n, size, step, i, v, want)
					}
				}
			}
		}
	}
}

func TestLook(t *testing.T) {
	r := rand.New(rand.NewPCG(43, 44))
	var table [TableSize]float32
	for i := range table {
		table[i] = float32(i)
	}
	for _, n := range lengths {
		for _, step := range []int{1, 2} {
			places := make([]int32, n)
			for i := range places {
				places[i] = int32(r.Uint32())
			}
			dst := make([]float32, n*step)
			Look(dst, step, places, &table)
			for i, v := range dst {
				want := float32(0) // what is between is left alone
				if i%step == 0 {
					want = float32(uint32(places[i/step]) % TableSize)
				}
				if v != want {
					t.Fatalf("%d places, every %d: value %d is %v, want %v", n, step, i, v, want)
				}
			}
		}
	}
}

func TestMix(t *testing.T) {
	r := rand.New(rand.NewPCG(45, 46))
	for _, n := range lengths {
		a, b, dst := noise(r, n), noise(r, n), noise(r, n)
		Mix(dst, a, b, 0.25)
		for i, v := range dst {
			if want := a[i] + float32(0.25*(b[i]-a[i])); v != want {
				t.Fatalf("value %d of %d is %v, want %v", i, n, v, want)
			}
		}
	}
}

func TestRaise(t *testing.T) {
	r := rand.New(rand.NewPCG(47, 48))
	for _, n := range lengths {
		for _, shift := range []int{0, 1, 3, 8} { // 0: of two arrays
			all := noise(r, n+shift)
			dst, a := all[:n], all[shift:]
			if shift == 0 {
				a = noise(r, n)
			}
			want := make([]float32, n)
			for i := range want {
				want[i] = max(dst[i], a[i])
			}
			Raise(dst, a)
			if !slices.Equal(dst, want) {
				t.Fatalf("%d values raised by those %d on: %v, want %v", n, shift, dst, want)
			}
		}
	}
}

func TestMean3(t *testing.T) {
	r := rand.New(rand.NewPCG(49, 50))
	for _, n := range lengths {
		a, b, c, dst := noise(r, n), noise(r, n), noise(r, n), noise(r, n)
		Mean3(dst, a, b, c)
		for i, v := range dst {
			if want := (a[i] + b[i] + c[i]) * (1. / 3); v != want {
				t.Fatalf("value %d of %d is %v, want %v", i, n, v, want)
			}
		}
	}
}

// Spill comes off by its definition: what is left makes with it what was measured.
func TestUnspill(t *testing.T) {
	r := rand.New(rand.NewPCG(57, 58))
	for _, n := range lengths {
		for _, clamp := range []bool{false, true} {
			was, now, moved, spill := make([]float32, n), make([]float32, n), make([]float32, n), make([]float32, n)
			want := 0
			for i := range was {
				was[i], spill[i] = 1.2*r.Float32()-0.1, 0.5*r.Float32()
				if i%5 == 0 {
					spill[i] = 0
				}
				if spill[i]*(1-was[i]) > 0.1 {
					want++
				}
			}
			copy(now, was)
			u := &Unspill{Gain: 0.5, Clamp: clamp, Counts: 0.1}
			if count := u.Row(now, moved, spill); count != want {
				t.Fatalf("%d of %d count, want %d", count, n, want)
			}
			for i, s := range spill {
				left, low := float64(now[i]), clamp && was[i] < s
				if back := left + (1-left)*float64(s); low && left != 0 || !low && math.Abs(back-float64(was[i])) > 1e-6 {
					t.Fatalf("%v less a spill of %v is %v", was[i], s, left)
				}
				if s == 0 && !low && now[i] != was[i] || moved[i] != 0.5*(was[i]-now[i]) {
					t.Fatalf("%v less a spill of %v is %v, and moved by %v", was[i], s, left, moved[i])
				}
			}
		}
	}
}

// Values of a frame are open where all around them, 3 columns and 3 rows far, are between the
// limits: the plain way is to look at all of them.
func TestBarAndTally(t *testing.T) {
	r := rand.New(rand.NewPCG(51, 52))
	for _, w := range lengths[1:] {
		const h = 20
		frame := noise(r, w*h)
		for i := range frame {
			if r.IntN(30) > 0 {
				frame[i] = 0.5 + 0.01*frame[i]
			}
		}
		barred, inside := make([]int32, w), make([]int32, w+2*Reach)
		for i := range inside {
			inside[i] = -1
		}
		got := Tally{make([]float32, w), make([]float32, w), make([]int32, w)}
		want := Tally{make([]float32, w), make([]float32, w), make([]int32, w)}
		for y := range h {
			Bar(barred, inside, frame[y*w:(y+1)*w], 0.4, 0.6, int32(y+2*Reach+1))
			if y < Reach {
				continue
			}
			got.Add(frame[(y-Reach)*w:(y-Reach+1)*w], barred, int32(y+1), 0.5)
			for x := range w {
				open := true
				for k := max(0, y-2*Reach); k <= y; k++ {
					for _, v := range frame[k*w:][max(0, x-Reach):min(w, x+Reach+1)] {
						open = open && v > 0.4 && v < 0.6
					}
				}
				if open {
					d := frame[(y-Reach)*w+x] - 0.5
					want.Sum[x] += d
					want.Sum2[x] += float32(d * d)
					want.Count[x]++
				}
			}
		}
		if !reflect.DeepEqual(got, want) {
			t.Fatalf("%d columns: %v, want %v", w, got, want)
		}
	}
}

func TestGram(t *testing.T) {
	r := rand.New(rand.NewPCG(53, 54))
	for _, n := range lengths {
		for parts := 1; parts <= 3; parts++ {
			rows, w := make([][Columns]float64, n*parts), make([]float64, n)
			for i := range rows {
				w[i/parts] = r.Float64()
				for j := range rows[i] {
					rows[i][j] = r.NormFloat64()
				}
			}
			side := parts * Columns
			gram := make([]float64, side*side)
			values := 1 + r.IntN(side)
			Gram(gram, rows, parts, values, w)
			for j := range values {
				for q := range j + 1 {
					sum := 0.0
					for i := range n {
						sum += w[i] * rows[i*parts+j/Columns][j%Columns] * rows[i*parts+q/Columns][q%Columns]
					}
					if math.Abs(gram[j*side+q]-sum) > 1e-12 {
						t.Errorf("%d rows of %d parts: product %d, %d is %v, want %v", n, parts, j, q, gram[j*side+q], sum)
					}
				}
			}
		}
	}
}

func TestFold(t *testing.T) {
	r := rand.New(rand.NewPCG(55, 56))
	for _, n := range lengths {
		rows, w := make([][Columns]float64, n), make([]float64, n)
		for i := range rows {
			w[i] = r.Float64()
			for j := range rows[i] {
				rows[i][j] = r.NormFloat64()
			}
		}
		var fold [Columns]float64
		Fold(&fold, rows, w)
		for j := range Columns {
			sum := 0.0
			for i := range rows {
				sum += w[i] * rows[i][j]
			}
			if math.Abs(fold[j]-sum) > 1e-12 {
				t.Errorf("%d rows: sum %d is %v, want %v", n, j, fold[j], sum)
			}
		}
	}
}

// Fold3's sums are those of its definition, added up one after the other.
func TestFold3(t *testing.T) {
	rnd := rand.New(rand.NewPCG(1, 2))
	for _, n := range []int{0, 1, 7, 81} {
		rows := make([][Columns]float64, n)
		var c [3][]float64
		for k := range c {
			c[k] = make([]float64, n)
		}
		var want [3][Columns]float64
		for i := range rows {
			for j := range rows[i] {
				rows[i][j] = rnd.NormFloat64()
			}
			for k := range c {
				c[k][i] = rnd.NormFloat64()
				for j, r := range rows[i] {
					want[k][j] += c[k][i] * r
				}
			}
		}
		got := [3][Columns]float64{{math.NaN()}, {math.NaN()}, {math.NaN()}}
		Fold3(&got, rows, &c)
		for k := range want {
			for j, w := range want[k] {
				if !(math.Abs(got[k][j]-w) < 1e-12) {
					t.Errorf("%d rows, sum %d of %d is %v, want %v", n, j, k, got[k][j], w)
				}
			}
		}
	}
}

func TestCodes(t *testing.T) {
	r := rand.New(rand.NewPCG(47, 48))
	var t8 [1 << 8]float32
	var t16 [1 << 16]float32
	for i := range t16 {
		t16[i] = float32(i)
	}
	copy(t8[:], t16[:])
	for _, n := range lengths {
		line := randomBytes(r, 6*n)
		code := func(size, i int) float32 {
			if size == 1 {
				return float32(line[i])
			}
			return float32(int(line[2*i])<<8 | int(line[2*i+1]))
		}
		for _, size := range []int{1, 2} {
			gray, apart := make([]float32, n), make([]float32, n)
			var three, four [3][]float32
			for c := range three {
				three[c], four[c] = make([]float32, n), make([]float32, n)
			}
			if size == 1 {
				Codes8(gray, line, 1, &t8)
				Codes8(apart, line, 4, &t8)
				RGBCodes8(three[0], three[1], three[2], line, 3, &t8)
				RGBCodes8(four[0], four[1], four[2], line, 4, &t8)
			} else {
				Codes16(gray, line, &t16)
				RGBCodes16(three[0], three[1], three[2], line, &t16)
			}
			for i := range n {
				if gray[i] != code(size, i) {
					t.Fatalf("gray, pixel %d of %d, %d bytes: %v, want %v", i, n, size, gray[i], code(size, i))
				}
				if size == 1 && apart[i] != code(1, 4*i) {
					t.Fatalf("gray, pixel %d of %d, three bytes left out: %v, want %v", i, n, apart[i], code(1, 4*i))
				}
				for c := range three {
					if size == 1 && four[c][i] != code(1, 4*i+c) {
						t.Fatalf("color %d, pixel %d of %d, one byte left out: %v, want %v", c, i, n, four[c][i], code(1, 4*i+c))
					}
					if three[c][i] != code(size, 3*i+c) {
						t.Fatalf("color %d, pixel %d of %d, %d bytes: %v, want %v", c, i, n, size, three[c][i], code(size, 3*i+c))
					}
				}
			}
		}
	}
}

// Rows of chroma and of luma, by hand, for the plain loops and for vectors.
func TestDecimateAndQuantize(t *testing.T) {
	for _, n := range lengths {
		src, half := make([]float32, 2*n+2), make([]float32, n)
		for i := range src {
			src[i] = float32(i * i)
		}
		Decimate(half, src)
		for i, got := range half {
			if want := float32((2*i+1)*(2*i+1)) + 0.5; got != want { // the mean of both neighbors is 1 more
				t.Fatalf("value %d of %d is %v, want %v", i, n, got, want)
			}
		}
		a, b, dst := make([]float32, n), make([]float32, n), make([]byte, 2*n)
		for i := range a {
			a[i], b[i] = float32(i), float32(i%7)
		}
		for size := 1; size <= 2; size++ {
			Quantize(dst[:size*n], size, a, b, 3, 2, 20.5)
			for i := range n {
				want := int(1.5*float64(i-i%7) + 20.5)
				got := int(dst[size*i])
				if size == 2 {
					got = int(binary.LittleEndian.Uint16(dst[2*i:]))
				}
				if got != want {
					t.Fatalf("number %d of %d in %d bytes is %d, want %d", i, n, size, got, want)
				}
			}
		}
	}
}
