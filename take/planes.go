package take

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"image"

	"example.com/twinplate/matte"
	"example.com/twinplate/plate"
)

// KnownPlanes are what Prepare finds of a take that a recipe has no room for, in the color camera's
// frame. With them and the recipe of Job.Recipe another job of the same take is made ready without
// reading a frame, in another program too: see Take.Known.
type KnownPlanes struct {
	Clean    *matte.Clean  // the clean band plate rebuilt from the take; nil: none was
	Extent   *matte.Extent // where the screen is; nil: everywhere, or it was not looked for
	Searched bool          // for the extent
}

// Planes returns what was found.
func (j *Job) Planes() KnownPlanes { return KnownPlanes{j.Clean, j.screen, j.searched} }

// all returns the planes that there are, in the order in which they are written.
func (p KnownPlanes) all() (all []*plate.Gray) {
	if p.Clean != nil {
		all = append(all, p.Clean.Band)
	}
	if p.Extent != nil {
		all = append(all, p.Extent.Inside)
	}
	return all
}

// check returns an error where a plane has another size than the color plate.
func (p KnownPlanes) check(size image.Point) error {
	for _, f := range p.all() {
		if err := plate.CheckSize("plane found before", f.Size(), "color plate", size); err != nil {
			return err
		}
	}
	return nil
}

// planesHead begins the bytes of KnownPlanes: their size in pixels, which of them follow as float32,
// and the numbers of the clean plate.
type planesHead struct {
	W, H                    uint32
	Clean, Extent, Searched bool
	Frames                  uint32
	Seen, Sigma, Off, Veil  float64
}

// MarshalBinary returns p as bytes, for UnmarshalBinary of the same version of this package.
func (p KnownPlanes) MarshalBinary() ([]byte, error) {
	h := planesHead{Clean: p.Clean != nil, Extent: p.Extent != nil, Searched: p.Searched}
	if c := p.Clean; c != nil {
		h.Frames, h.Seen, h.Sigma, h.Off, h.Veil = uint32(c.Frames), c.Seen, c.Sigma, c.Off, c.Veil
	}
	size := binary.Size(h)
	for _, f := range p.all() {
		h.W, h.H = uint32(f.W), uint32(f.H)
		size += 4 * len(f.Pix)
	}
	out, err := binary.Append(make([]byte, 0, size), binary.LittleEndian, h)
	for _, f := range p.all() {
		if err == nil {
			out, err = binary.Append(out, binary.LittleEndian, f.Pix)
		}
	}
	return out, err
}

// UnmarshalBinary makes p what MarshalBinary wrote. An error says that the bytes are not such.
func (p *KnownPlanes) UnmarshalBinary(data []byte) error {
	var h planesHead
	r := bytes.NewReader(data)
	if err := binary.Read(r, binary.LittleEndian, &h); err != nil {
		return fmt.Errorf("a take's planes: %w", err)
	}
	count := 0
	for _, there := range []bool{h.Clean, h.Extent} {
		if there {
			count++
		}
	}
	if n := int64(h.W) * int64(h.H); n > plate.MaxPixels || int64(r.Len()) != 4*n*int64(count) {
		return errors.New("a take's planes: they are not as large as they say")
	}
	next := func() *plate.Gray {
		f := plate.NewGray(int(h.W), int(h.H))
		binary.Read(r, binary.LittleEndian, f.Pix) // as many bytes are there
		return f
	}
	*p = KnownPlanes{Searched: h.Searched}
	if h.Clean {
		p.Clean = &matte.Clean{Band: next(), Seen: h.Seen, Frames: int(h.Frames), Sigma: h.Sigma, Off: h.Off, Veil: h.Veil}
	}
	if h.Extent {
		p.Extent = matte.NewExtent(next())
	}
	return nil
}
