package plate

import (
	"syscall"
	"unsafe"
)

// huge asks the system for large pages of memory under s, which is new, where it gives them only to
// who asks (madvise(2), MADV_HUGEPAGE), and returns s: a frame is then at hand after a few page
// faults instead of thousands. It asks for no more memory than s has.
func huge[T any](s []T) []T {
	const page = 2 << 20
	b := unsafe.Slice((*byte)(unsafe.Pointer(unsafe.SliceData(s))), len(s)*int(unsafe.Sizeof(*new(T))))
	at := uintptr(unsafe.Pointer(unsafe.SliceData(b)))
	from, to := int(-at%page), int((at+uintptr(len(b)))/page*page-at)
	if from < to {
		syscall.Madvise(b[from:to], syscall.MADV_HUGEPAGE) // a hint: without it all works as well
	}
	return s
}
