//go:build !windows

package take

import "syscall"

var noRoom = []syscall.Errno{syscall.ENOSPC, syscall.EDQUOT}
