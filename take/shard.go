package take

import (
	"fmt"
	"strconv"
	"strings"
)

// MaxShards is the most parts that a take can be split into.
const MaxShards = 1_000_000

// A Shard is one of the N parts that a take is split into, so that several machines share it: part I, from 0 to N-1, as
// job arrays and indexed jobs count them. The zero value is the whole take.
type Shard struct{ I, N int }

// ParseShard reads "I/N", such as "0/16" for the first of 16 parts.
func ParseShard(s string) (Shard, error) {
	i, n, ok := strings.Cut(s, "/")
	var p Shard
	var errI, errN error
	p.I, errI = strconv.Atoi(i)
	p.N, errN = strconv.Atoi(n)
	if !ok || errI != nil || errN != nil {
		return Shard{}, fmt.Errorf("shard %q: it must be like 0/16, the first of 16 parts", s)
	}
	if p.N == 0 {
		return Shard{}, fmt.Errorf("shard %q: there must be one part at least", s)
	}
	return p, p.Check()
}

// Check returns an error where there is no such part.
func (s Shard) Check() error {
	switch {
	case s == Shard{}:
		return nil
	case s.N < 1 || s.N > MaxShards:
		return fmt.Errorf("shard %v: the number of parts must be 1 to %d", s, MaxShards)
	case s.I < 0 || s.I >= s.N:
		return fmt.Errorf("shard %v: the parts are counted from 0, and the last of %d is %d", s, s.N, s.N-1)
	}
	return nil
}

// String returns the shard as ParseShard reads it.
func (s Shard) String() string { return fmt.Sprintf("%d/%d", s.I, s.N) }

// Range returns which of a number of frames, in their order, are the shard's: those from first up to, not including, end.
// The shards of one N follow each other without gap or overlap, and differ by one frame at most; where there are more of
// them than frames, some are empty. The shard must pass Check.
func (s Shard) Range(frames int) (first, end int) {
	if s.N == 0 {
		return 0, frames
	}
	at := func(i int) int { return int(int64(i) * int64(frames) / int64(s.N)) }
	return at(s.I), at(s.I + 1)
}
