package kernel

// Reach is how far Bar looks along the row.
const Reach = 3

// Bar sets barred to mark for every value of the row that has one that is not between low and high
// at most Reach from it. What barred has must not be above mark. Inside is for Bar's own use: as
// long as the row and 2 Reach more, with -1 in the first and the last Reach, as Inside makes it.
func Bar(barred, inside []int32, row []float32, low, high float32, mark int32) {
	n := len(row)
	barred, inside = barred[:n], inside[:n+2*Reach]
	insideFrom(insideFront(inside, row, low, high), inside, row, low, high)
	barFrom(barFront(barred, inside, mark), barred, inside, mark)
}

// Inside returns what Bar uses for rows of n values.
func Inside(n int) []int32 {
	inside := make([]int32, n+2*Reach)
	for i := range inside {
		inside[i] = -1
	}
	return inside
}

// A Tally sums, column by column, rows' distances from a center, their squares, and how many they
// were.
type Tally struct {
	Sum, Sum2 []float32
	Count     []int32
}

// Add adds the values of the row that are barred by less than mark. All have the row's length.
func (t *Tally) Add(row []float32, barred []int32, mark int32, center float32) {
	barred = barred[:len(row)]
	t.from(tallyFront(t, row, barred, mark, center), row, barred, mark, center)
}

func insideFrom(i int, inside []int32, row []float32, low, high float32) {
	inside = inside[Reach:][:len(row)]
	for ; i < len(row); i++ {
		inside[i] = 0
		if v := row[i]; v > low && v < high {
			inside[i] = -1
		}
	}
}

func barFrom(i int, barred, inside []int32, mark int32) {
	for ; i < len(barred); i++ {
		all := int32(-1)
		for _, v := range inside[i:][:2*Reach+1] {
			all &= v
		}
		barred[i] = max(barred[i], mark&^all)
	}
}

func (t *Tally) from(i int, row []float32, barred []int32, mark int32, center float32) {
	for ; i < len(row); i++ {
		if barred[i] < mark {
			d := row[i] - center
			t.Sum[i] += d
			t.Sum2[i] += float32(d * d)
			t.Count[i]++
		}
	}
}
