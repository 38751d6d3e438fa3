package plate

import (
	"bytes"
	"fmt"
	"image"
)

// In a browser a file may have been decoded in part before it is read, by what the browser itself has for that. Then it is
// one line of text and bytes:
//
//	twinplate in part: jpeg W H 420    the planes of Y', Cb and Cr, as an 8-bit JPEG of 4:2:0 has them
//	twinplate in part: jpeg W H rgb    four bytes a pixel: R', G', B' and one that is left out
//	twinplate in part: jpeg W H gray   likewise, of a gray JPEG
//
// It is read as the picture that it was.
const inPart = "twinplate in part: "

func formatInPart(head []byte) (format, bool) {
	if !bytes.HasPrefix(head, []byte(inPart+"jpeg ")) {
		return format{}, false
	}
	return format{name: "jpeg", title: "JPEG", probe: probeInPart, decode: decodeInPart}, true
}

// headInPart returns what the first line says, and where the bytes begin.
func headInPart(s *source) (info Info, planes string, at int64, err error) {
	line, at, err := s.line(0)
	if err != nil {
		return info, "", 0, err
	}
	if _, err := fmt.Sscanf(line, inPart+"jpeg %d %d %s", &info.W, &info.H, &planes); err != nil {
		return info, "", 0, fmt.Errorf("damaged: %q: %w", line, err)
	}
	info.Depth, info.Color = 8, planes != "gray"
	return info, planes, at, nil
}

func probeInPart(s *source) (Info, error) {
	info, _, _, err := headInPart(s)
	return info, err
}

func decodeInPart(s *source, _ Info) (image.Image, error) {
	info, planes, at, err := headInPart(s)
	if err != nil {
		return nil, err
	}
	n, bounds := info.W*info.H, image.Rect(0, 0, info.W, info.H)
	cw, ch := (info.W+1)/2, (info.H+1)/2
	all := map[string]int{"420": n + 2*cw*ch, "rgb": 4 * n, "gray": 4 * n}[planes]
	if all == 0 {
		return nil, fmt.Errorf("damaged: planes %q", planes)
	}
	b, err := s.part(at, int64(all))
	if err != nil {
		return nil, err
	}
	switch planes {
	case "420":
		return &image.YCbCr{
			Y: b[:n], Cb: b[n : n+cw*ch], Cr: b[n+cw*ch:],
			YStride: info.W, CStride: cw, SubsampleRatio: image.YCbCrSubsampleRatio420, Rect: bounds,
		}, nil
	case "gray":
		m := image.NewGray(bounds)
		for i := range m.Pix {
			m.Pix[i] = b[4*i]
		}
		return m, nil
	}
	for i := 3; i < len(b); i += 4 {
		b[i] = 0xff
	}
	return &image.RGBA{Pix: b, Stride: 4 * info.W, Rect: bounds}, nil
}
