package plate

import (
	"syscall"
	"unsafe"
)

// huge asks the system for large pages of memory under s, which is new, where it gives them only to
// who asks (madvise(2), MADV_HUGEPAGE), and returns s: a frame is then at hand after a few page
// faults instead of thousands. The large pages at either end it shares with its neighbors in Go's heap,
// whose regions are of whole such pages; mostly these are planes too.
func huge[T any](s []T) []T {
	const page = 2 << 20
	at, n := uintptr(unsafe.Pointer(unsafe.SliceData(s))), uintptr(len(s))*unsafe.Sizeof(*new(T))
	if n >= page {
		from, to := at/page*page, (at+n+page-1)/page*page
		syscall.RawSyscall(syscall.SYS_MADVISE, from, to-from, syscall.MADV_HUGEPAGE) // a hint: without it all works as well
	}
	return s
}
