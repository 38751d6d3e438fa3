//go:build !js

package plate

// Only a browser decodes files in part before they are read: see inpart_js.go.
func formatInPart([]byte) (format, bool) { return format{}, false }

func (*picture) rowsInPart() *pngRows { return nil }
