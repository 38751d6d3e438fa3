package exr

import "image"

// readsDWA: what unpacks DWAA and DWAB would make a page's first load longer.
const readsDWA = false

func (p *packer) unpackDWA([]byte, *Image, image.Rectangle, []byte) error { return nil }
