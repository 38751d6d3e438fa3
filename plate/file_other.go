//go:build !js

package plate

import (
	"io"
	"os"
)

func readerOf(file *os.File) io.ReaderAt { return file }
