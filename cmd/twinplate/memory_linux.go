package main

import (
	"os"
	"strconv"
	"strings"
	"syscall"
)

// available returns how many bytes this program may still take, as far as the system says: of the
// machine's memory, of the control group's (cgroup v2, memory.max), of the process's own limit.
func available() (free int64, known bool) {
	least := func(n int64) {
		if n >= 0 && (!known || n < free) {
			free, known = n, true
		}
	}
	// number returns the whole number that stands in a file, behind a word.
	number := func(path, word string) (int64, bool) {
		data, err := os.ReadFile(path)
		_, rest, ok := strings.Cut(string(data), word)
		f := strings.Fields(rest)
		if err != nil || !ok || len(f) == 0 {
			return 0, false
		}
		n, err := strconv.ParseInt(f[0], 10, 64)
		return n, err == nil // "max" is none
	}
	if kb, ok := number("/proc/meminfo", "MemAvailable:"); ok {
		least(kb << 10)
	}
	if most, ok := number("/sys/fs/cgroup/memory.max", ""); ok {
		if used, ok := number("/sys/fs/cgroup/memory.current", ""); ok {
			least(max(most-used, 0))
		}
	}
	var limit syscall.Rlimit
	if err := syscall.Getrlimit(syscall.RLIMIT_AS, &limit); err == nil && limit.Cur < 1<<62 {
		if pages, ok := number("/proc/self/statm", ""); ok {
			least(max(int64(limit.Cur)-pages*int64(os.Getpagesize()), 0))
		}
	}
	return free, known
}
