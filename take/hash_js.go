package take

import (
	"hash"
	"hash/fnv"
)

// newHash is a small one, for package sha256 brings so much along that it would be felt in what a browser loads.
func newHash() (name string, h hash.Hash) { return "fnv128a", fnv.New128a() }
