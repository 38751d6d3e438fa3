package main

import (
	"bytes"
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
	if data, err := os.ReadFile("/proc/meminfo"); err == nil {
		if _, rest, ok := strings.Cut(string(data), "MemAvailable:"); ok {
			if f := strings.Fields(rest); len(f) > 0 {
				if kb, err := strconv.ParseInt(f[0], 10, 64); err == nil {
					least(kb << 10)
				}
			}
		}
	}
	number := func(path string) (int64, bool) {
		data, err := os.ReadFile(path)
		if err != nil {
			return 0, false
		}
		n, err := strconv.ParseInt(string(bytes.TrimSpace(data)), 10, 64)
		return n, err == nil // "max" is none
	}
	if most, ok := number("/sys/fs/cgroup/memory.max"); ok {
		if used, ok := number("/sys/fs/cgroup/memory.current"); ok {
			least(max(most-used, 0))
		}
	}
	var limit syscall.Rlimit
	if err := syscall.Getrlimit(syscall.RLIMIT_AS, &limit); err == nil && limit.Cur < 1<<62 {
		if data, err := os.ReadFile("/proc/self/statm"); err == nil {
			if f := strings.Fields(string(data)); len(f) > 0 {
				if pages, err := strconv.ParseInt(f[0], 10, 64); err == nil {
					least(max(int64(limit.Cur)-pages*int64(os.Getpagesize()), 0))
				}
			}
		}
	}
	return free, known
}
