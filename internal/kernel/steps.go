package kernel

import "math"

// Steps is a rising row of steps: code k is that of the values whose Order is From[k] or more, and
// less than From[k+1]. A line gives a value's code, or one more, and a comparison which of them.
type Steps struct {
	// Low and High are values of the first and of the last code. All others are brought between
	// them, and what is not a number to Low.
	Low, High float32
	// Of values whose Orders have the upper 16 bits First + i: with f the lower ones, the code or
	// one more is the whole number below Lines[i][0] + f Lines[i][1]. Lines go from Low to High.
	Lines [][2]float32
	First int32
	From  []int32 // the first is math.MinInt32, and the last two, behind the last code, math.MaxInt32
}

// NoLine is the line of values that no line is near enough to, where there are so many codes: they
// are found to have the code behind the last.
func NoLine(codes int) [2]float32 { return [2]float32{float32(codes + 1), 0} }

// Order returns the bits of v, arranged so that they order as the numbers do.
func Order(v float32) int32 {
	u := int32(math.Float32bits(v))
	return u ^ int32(uint32(u>>31)>>1)
}

// Ordered returns the number that has an Order.
func Ordered(key int32) float32 {
	return math.Float32frombits(uint32(key ^ int32(uint32(key>>31)>>1)))
}

// Code returns the code of v, or the one behind the last where no line is near enough.
func (s *Steps) Code(v float32) int {
	if !(v > s.Low) {
		v = s.Low
	} else if v > s.High {
		v = s.High
	}
	key := Order(v)
	k := s.guess(key)
	return k + int((int64(key)-int64(s.From[k]))>>63) // either is as likely: no branch
}

// guess returns the code of the value of an Order, or one more.
func (s *Steps) guess(key int32) int {
	line := s.Lines[key>>16-s.First]
	return int(line[0] + float32(line[1]*float32(key&0xffff)))
}

// Row sets dst to unit times the codes of light, as Code has them, and reports whether all lines
// are near enough. Both have one length.
func (s *Steps) Row(dst, light []float32, unit float32) bool {
	i, ok := stepsFront(s, dst, light, unit)
	return s.row(i, dst, light, unit) && ok
}

func (s *Steps) row(i int, dst, light []float32, unit float32) bool {
	light = light[:len(dst)]
	last, most := len(s.From)-3, 0
	for ; i < len(dst); i++ {
		k := s.Code(light[i])
		most = max(most, k)
		dst[i] = float32(float32(k) * unit)
	}
	return most <= last
}
