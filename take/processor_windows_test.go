package take_test

import (
	"testing"
	"time"
)

func processors(*testing.B) time.Duration { return 0 }
