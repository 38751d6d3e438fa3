package plate

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"image"
	"io"
)

// In a browser a file may have been decoded in part before it is read, by what the browser itself has for that. Then it is
// one line of text and bytes:
//
//	twinplate in part: jpeg W H 420    the planes of Y', Cb and Cr, as an 8-bit JPEG of 4:2:0 has them
//	twinplate in part: jpeg W H rgb    four bytes a pixel: R', G', B' and one that is left out
//	twinplate in part: jpeg W H gray   likewise, of a gray JPEG
//	twinplate in part: png W H K D     the lines of a PNG file of color type K and D bits, with their filters, and their Adler-32
//
// It is read as the picture that it was.
const inPart = "twinplate in part: "

func formatInPart(head []byte) (format, bool) {
	switch {
	case bytes.HasPrefix(head, []byte(inPart+"jpeg ")):
		return format{name: "jpeg", title: "JPEG", probe: probeInPart, decode: decodeInPart}, true
	case bytes.HasPrefix(head, []byte(inPart+"png ")):
		return format{name: "png", title: "PNG", probe: probeInPart, decode: func(*source, Info) (image.Image, error) {
			return nil, errors.New("damaged: its lines are not in order")
		}}, true
	}
	return format{}, false
}

// A headInPart is what the first line says.
type headInPart struct {
	format, planes string
	w, h           int
	kind, depth    byte
	at             int64 // where the bytes begin
}

func readInPart(s *source) (h headInPart, err error) {
	line, at, err := s.line(0)
	if err != nil {
		return h, err
	}
	h.at, h.depth, h.format = at, 8, "jpeg"
	if _, err := fmt.Sscanf(line, inPart+"png %d %d %d %d", &h.w, &h.h, &h.kind, &h.depth); err == nil {
		h.format = "png"
	} else if _, err := fmt.Sscanf(line, inPart+"jpeg %d %d %s", &h.w, &h.h, &h.planes); err != nil {
		return h, fmt.Errorf("damaged: %q: %w", line, err)
	}
	return h, nil
}

func probeInPart(s *source) (Info, error) {
	h, err := readInPart(s)
	return Info{W: h.w, H: h.h, Depth: int(h.depth), Color: h.planes != "gray" && (h.format != "png" || h.kind != pngGray)}, err
}

// rowsInPart returns what reads a PNG file that has been inflated, or nil where the file is not such a one.
func (p *picture) rowsInPart() *pngRows {
	if !bytes.HasPrefix(p.head, []byte(inPart+"png ")) {
		return nil
	}
	h, err := readInPart(&p.source)
	size := map[byte]int{pngGray: 1, pngColor: 3}[h.kind] * int(h.depth) / 8
	if err != nil || size == 0 || h.depth != 8 && h.depth != 16 {
		return nil
	}
	n := int64(h.h) * int64(1+h.w*size)
	rest := bufio.NewReaderSize(io.NewSectionReader(p.ReaderAt, h.at, n+4), 1<<18)
	return &pngRows{
		w: h.w, h: h.h, kind: h.kind, depth: h.depth, size: size,
		data: pngData{file: bytes.NewReader(make([]byte, 4)), kind: "IEND"}, // the chunks' sums were looked at
		z:    &inflater{io.LimitReader(rest, n), rest},
		line: make([]byte, 1+h.w*size), above: make([]byte, 1+h.w*size),
	}
}

func decodeInPart(s *source, _ Info) (image.Image, error) {
	head, err := readInPart(s)
	if err != nil {
		return nil, err
	}
	n, bounds := head.w*head.h, image.Rect(0, 0, head.w, head.h)
	cw, ch := (head.w+1)/2, (head.h+1)/2
	all := map[string]int{"420": n + 2*cw*ch, "rgb": 4 * n, "gray": 4 * n}[head.planes]
	if all == 0 {
		return nil, fmt.Errorf("damaged: planes %q", head.planes)
	}
	b, err := s.part(head.at, int64(all))
	if err != nil {
		return nil, err
	}
	switch head.planes {
	case "420":
		return &image.YCbCr{
			Y: b[:n], Cb: b[n : n+cw*ch], Cr: b[n+cw*ch:],
			YStride: head.w, CStride: cw, SubsampleRatio: image.YCbCrSubsampleRatio420, Rect: bounds,
		}, nil
	case "gray":
		m := image.NewGray(bounds)
		for i := range m.Pix {
			m.Pix[i] = b[4*i]
		}
		return m, nil
	}
	return opaque8{&image.RGBA{Pix: b, Stride: 4 * head.w, Rect: bounds}}, nil
}
