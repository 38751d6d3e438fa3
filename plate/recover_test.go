package plate

import "testing"

// What a decoder does with a damaged file, a panic included, becomes an error.
func TestDecoderPanics(t *testing.T) {
	p := &Picture{format: format{name: "tiff"}}
	err := p.run(func() error { var none []int; _ = none[10+len(none)]; return nil })
	if want := "damaged: the tiff decoder stopped with: runtime error: index out of range [10] with length 0"; err == nil || err.Error() != want {
		t.Errorf("%v, want %s", err, want)
	}
}
