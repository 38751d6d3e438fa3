package plate

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"image"
	"io"
)

// In a browser a file may have been decoded in part before it is read, by what the browser itself
// has for that. Then it is one line of text and bytes:
//
//	twinplate in part: planes W H 420    the planes of Y', Cb and Cr, as an 8-bit JPEG of 4:2:0 has them
//	twinplate in part: planes W H rgb    four bytes a pixel: R', G', B' and one that is left out
//	twinplate in part: planes W H gray   likewise, of a gray picture
//	twinplate in part: lines W H K D     the lines of a PNG file of color type K and D bits, with their filters, and their Adler-32
//
// It is read as the picture that it was.
const inPart = "twinplate in part: "

func formatInPart(head []byte) (format, bool) {
	switch {
	case bytes.HasPrefix(head, []byte(inPart+"planes ")):
		return format{name: "planes", title: "picture that was decoded", probe: probeInPart, decode: decodeInPart}, true
	case bytes.HasPrefix(head, []byte(inPart+"lines ")):
		return format{name: "png", title: "PNG", probe: probeInPart, decode: decodeInPart}, true
	}
	return format{}, false
}

// A headInPart is what the first line says.
type headInPart struct {
	w, h        int
	planes      string // none: lines
	kind, depth byte
	at          int64 // where the bytes begin
}

func readInPart(s *source) (h headInPart, err error) {
	line, at, err := s.line(0)
	if err != nil {
		return h, err
	}
	h.at, h.depth = at, 8
	_, err = fmt.Sscanf(line, inPart+"lines %d %d %d %d", &h.w, &h.h, &h.kind, &h.depth)
	if err != nil {
		_, err = fmt.Sscanf(line, inPart+"planes %d %d %s", &h.w, &h.h, &h.planes)
	}
	if err != nil {
		return h, fmt.Errorf("damaged: %q: %w", line, err)
	}
	return h, nil
}

func probeInPart(s *source) (Info, error) {
	h, err := readInPart(s)
	return Info{W: h.w, H: h.h, Depth: int(h.depth), Color: h.planes != "gray" && (h.planes != "" || h.kind != pngGray)}, err
}

// rowsInPart returns what reads such a file line by line, or nil.
func (p *picture) rowsInPart() *pngRows {
	if !bytes.HasPrefix(p.head, []byte(inPart)) {
		return nil
	}
	h, err := readInPart(&p.source)
	if err != nil {
		return nil
	}
	rows := &pngRows{w: h.w, h: h.h, kind: h.kind, depth: h.depth}
	switch h.planes {
	case "rgb":
		rows.kind, rows.size = pngColor, 4
	case "gray":
		rows.kind, rows.size = pngGray, 4
	case "":
		rows.size = map[byte]int{pngGray: 1, pngColor: 3}[h.kind] * int(h.depth) / 8
	}
	if rows.size == 0 || h.depth != 8 && h.depth != 16 {
		return nil
	}
	line := h.w * rows.size
	buffered := func(n int64) *bufio.Reader {
		return bufio.NewReaderSize(io.NewSectionReader(p.ReaderAt, h.at, n), max(1<<18, line))
	}
	if h.planes != "" {
		rows.plain = buffered(int64(h.h) * int64(line))
		return rows
	}
	n := int64(h.h) * int64(1+line)
	rest := buffered(n + 4)
	rows.data = pngData{file: bytes.NewReader(make([]byte, 4)), kind: "IEND"} // the chunks' sums were looked at
	rows.z = &inflater{io.LimitReader(rest, n), rest}
	rows.begin()
	return rows
}

// decodeInPart returns a picture of planes that are not read line by line.
func decodeInPart(s *source, _ Info) (image.Image, error) {
	h, err := readInPart(s)
	if err != nil {
		return nil, err
	}
	if h.planes != "420" {
		return nil, errors.New("damaged: its lines are not in order")
	}
	n, cw, ch := h.w*h.h, (h.w+1)/2, (h.h+1)/2
	b, err := s.part(h.at, int64(n+2*cw*ch))
	if err != nil {
		return nil, err
	}
	return &image.YCbCr{
		Y: b[:n], Cb: b[n : n+cw*ch], Cr: b[n+cw*ch:],
		YStride: h.w, CStride: cw, SubsampleRatio: image.YCbCrSubsampleRatio420, Rect: image.Rect(0, 0, h.w, h.h),
	}, nil
}
