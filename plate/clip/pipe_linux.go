package clip

import (
	"syscall"

	"golang.org/x/sys/unix"
)

// pipeBytes is the most that Linux lets any program's pipe hold where nobody has set another bound
// (pipe(7), /proc/sys/fs/pipe-max-size): an HD frame goes through in a few turns of either side and
// not in a hundred.
const pipeBytes = 1 << 20

// widen has a pipe hold more than the 64 kB that it begins with.
func widen(pipe any) {
	file, ok := pipe.(syscall.Conn)
	if !ok {
		return
	}
	if c, err := file.SyscallConn(); err == nil {
		c.Control(func(fd uintptr) { unix.FcntlInt(fd, unix.F_SETPIPE_SZ, pipeBytes) }) // or it works as before
	}
}
