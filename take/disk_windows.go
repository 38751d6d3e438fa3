package take

import "syscall"

// ERROR_HANDLE_DISK_FULL and ERROR_DISK_FULL (Microsoft, System Error Codes; not checked against
// the source).
var noRoom = []syscall.Errno{39, 112}
