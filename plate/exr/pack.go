package exr

import (
	"bytes"
	"compress/zlib"
	"errors"
	"fmt"
	"image"
	"io"
)

// A packer unpacks chunks, one after the other. What it returns is good until the next.
type packer struct {
	mixed, plain []byte
	zlib         io.ReadCloser
	piz          *piz
}

// room returns n values of b, or of a new one.
func room[T any](b *[]T, n int) []T {
	if cap(*b) < n {
		*b = make([]T, n)
	}
	*b = (*b)[:n]
	return *b
}

// unpack returns the n bytes that were packed for an area.
func (p *packer) unpack(m *Image, area image.Rectangle, packed []byte, n int) ([]byte, error) {
	plain := room(&p.plain, n)
	switch m.Compression {
	case None:
		return nil, fmt.Errorf("%d bytes where %d must be", len(packed), n)
	case PIZ:
		return plain, p.wavelets().unpack(plain, m, area, packed)
	case RLE:
		if err := unrun(room(&p.mixed, n), packed); err != nil {
			return nil, err
		}
	case B44, B44A:
		return plain, unpackB44(plain, m, area, packed)
	case DWAA, DWAB:
		return plain, p.unpackDWA(plain, m, area, packed)
	case PXR24:
		mixed := room(&p.mixed, m.bytes(area, Type.bytes24))
		if err := p.inflate(mixed, packed); err != nil {
			return nil, err
		}
		unpack24(plain, m, area, mixed)
		return plain, nil
	default:
		if err := p.inflate(room(&p.mixed, n), packed); err != nil {
			return nil, err
		}
	}
	unmix(plain, p.mixed)
	return plain, nil
}

// wavelets returns what unpacks PIZ, which is large.
func (p *packer) wavelets() *piz {
	if p.piz == nil {
		p.piz = new(piz)
	}
	return p.piz
}

// inflate unpacks what zlib has packed, which must fill dst.
func (p *packer) inflate(dst, packed []byte) error {
	var err error
	if p.zlib == nil {
		p.zlib, err = zlib.NewReader(bytes.NewReader(packed))
	} else {
		err = p.zlib.(zlib.Resetter).Reset(bytes.NewReader(packed), nil)
	}
	if err != nil {
		p.zlib = nil
		return err
	}
	if _, err := io.ReadFull(p.zlib, dst); err != nil {
		return err
	}
	if k, err := p.zlib.Read(make([]byte, 1)); k != 0 || err != io.EOF {
		return errors.New("it unpacks to more than it should, or its checksum is wrong")
	}
	return nil
}

// unrun undoes run lengths: a count of 0 and above is of one byte, to be had once more than it
// says, and one below 0 of as many bytes that follow.
func unrun(dst, src []byte) error {
	for len(dst) > 0 {
		if len(src) < 2 {
			return io.ErrUnexpectedEOF
		}
		n := int(int8(src[0]))
		src = src[1:]
		if n < 0 {
			if -n > len(src) || -n > len(dst) {
				return errors.New("a run is longer than there are bytes")
			}
			copy(dst, src[:-n])
			dst, src = dst[-n:], src[-n:]
			continue
		}
		if n++; n > len(dst) {
			return errors.New("a run is longer than there are bytes")
		}
		for i := range dst[:n] {
			dst[i] = src[0]
		}
		dst, src = dst[n:], src[1:]
	}
	if len(src) > 0 {
		return errors.New("more bytes than there should be")
	}
	return nil
}

// unmix undoes what ZIP and RLE do to bytes before they pack them: the even ones first, then the
// odd ones, and of each its difference to the one before, plus 128. It overwrites mixed.
func unmix(plain, mixed []byte) {
	for i := 1; i < len(mixed); i++ {
		mixed[i] += mixed[i-1] - 128
	}
	half := (len(mixed) + 1) / 2
	for i, v := range mixed[:half] {
		plain[2*i] = v
	}
	for i, v := range mixed[half:] {
		plain[2*i+1] = v
	}
}

// mix is the inverse of unmix; it leaves plain as it is.
func mix(mixed, plain []byte) {
	half := (len(plain) + 1) / 2
	for i := range half {
		mixed[i] = plain[2*i]
	}
	for i := range mixed[half:] {
		mixed[half+i] = plain[2*i+1]
	}
	for i := len(mixed) - 1; i > 0; i-- {
		mixed[i] -= mixed[i-1] - 128
	}
}
