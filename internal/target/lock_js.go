package target

// A Lock is none in a browser, where nobody else can write into the folder.
type Lock struct{}

// NewLock takes nothing.
func NewLock(string, int, int) (*Lock, error) { return nil, nil }

// Release does nothing.
func (*Lock) Release() {}
