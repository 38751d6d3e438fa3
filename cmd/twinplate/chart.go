package main

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"image"
	"image/png"
	"io"
	"math"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"example.com/twinplate/align"
	"example.com/twinplate/internal/target"
	"example.com/twinplate/plate"
)

type sheet struct {
	Out     string  `help:"File for the sheet: .svg or .png." placeholder:"F.svg|F.png" required:""`
	Size    string  `help:"The sheet's size: A4, A3, A2, A1, A0 (on their long side), or width and height in millimeters, like 600x400." default:"A3" placeholder:"A3|WxH"`
	Square  float64 `help:"Side of a square, in millimeters. Default: a twenty-second of the long side." placeholder:"MM"`
	DPI     float64 `name:"dpi" help:"Of a PNG: pixels to the inch." default:"300" placeholder:"N"`
	Replace bool    `help:"Overwrite a file that is there and no chart."`
	JSON    bool    `name:"json" help:"Print one JSON object instead of text."`
}

// chartTitle is in the files, by which they are told from other pictures.
const chartTitle = "twinplate chart"

func (sheet) Help() string {
	return examples(
		"twinplate chart --out chart.svg --size A2",
		"twinplate chart --out chart.png --size 900x600 --dpi 150",
		"twinplate register --chart-color chart_color.png --chart-band chart_band.png --out geometry.json") +
		"\n\nPrint the sheet on matte-finish paper and fix it to a board. Light it with white light that has the yellow of the lamps in it, such as tungsten; the screen may be off. Let it fill the frame, or shoot it in several places and give register all the frames. Squares should be 12 to 200 pixels wide in both plates. The size of the print does not matter to the result."
}

// sheets are the sizes of ISO 216, in millimeters, on their long side.
var sheets = map[string][2]float64{
	"A4": {297, 210}, "A3": {420, 297}, "A2": {594, 420}, "A1": {841, 594}, "A0": {1189, 841},
}

type chartReport struct {
	Out     string     `json:"out"`
	Size    [2]float64 `json:"size_mm"`
	Square  float64    `json:"square_mm"`
	Columns int        `json:"columns"`
	Rows    int        `json:"rows"`
}

func (c *sheet) Run(t *terminal) error {
	size, err := sheetSize(c.Size)
	if err != nil {
		return usageError{err}
	}
	board, err := align.NewChart(size[0], size[1], c.Square)
	if err != nil {
		return usageError{err}
	}
	ext := strings.ToLower(filepath.Ext(c.Out))
	if ext != ".svg" && ext != ".png" {
		return usageError{fmt.Errorf("--out %s: the name must end in .svg or .png", c.Out)}
	}
	if err := (&target.Guard{Replace: c.Replace}).Check(c.Out, chartKind); err != nil {
		return err
	}
	write := board.WriteSVG
	if ext == ".png" {
		m, err := board.Image(c.DPI)
		if err != nil {
			return usageError{err}
		}
		write = func(w io.Writer) error { return writePNG(w, m, pngResolution(c.DPI), pngTitle(chartTitle)) }
	}
	if err := plate.WriteAtomic(c.Out, write); err != nil {
		return err
	}
	if c.JSON {
		return t.object(chartReport{c.Out, size, board.Square, board.Columns, board.Rows})
	}
	t.printf("chart        %d by %d squares of %.4g mm on %g x %g mm\n", board.Columns, board.Rows, board.Square, size[0], size[1])
	t.printf("written to   %s\n", c.Out)
	return nil
}

func sheetSize(s string) (size [2]float64, err error) {
	if size, ok := sheets[strings.ToUpper(s)]; ok {
		return size, nil
	}
	w, h, ok := strings.Cut(strings.TrimSuffix(strings.ToLower(s), "mm"), "x")
	if ok {
		var errW, errH error
		size[0], errW = strconv.ParseFloat(w, 64)
		size[1], errH = strconv.ParseFloat(h, 64)
		ok = errW == nil && errH == nil
	}
	if !ok {
		return size, fmt.Errorf("--size %s: it must be A4, A3, A2, A1 or A0, or width and height in millimeters, like 600x400", s)
	}
	return size, nil
}

// pngChunk returns a chunk of a PNG file (PNG, third edition, section 5.3).
func pngChunk(name string, data []byte) []byte {
	out := append(binary.BigEndian.AppendUint32(nil, uint32(len(data))), name...)
	out = append(out, data...)
	return binary.BigEndian.AppendUint32(out, crc32.ChecksumIEEE(out[4:]))
}

// pngTitle is the chunk tEXt with a title (section 11.3.3.3), by which a file is told from others.
func pngTitle(title string) []byte { return pngChunk("tEXt", []byte("Title\x00"+title)) }

// pngResolution is the chunk pHYs, which has the pixels to the meter, so that a sheet prints at its
// size (section 11.3.4.3).
func pngResolution(dpi float64) []byte {
	n := uint32(math.Round(dpi / 0.0254))
	size := binary.BigEndian.AppendUint32(binary.BigEndian.AppendUint32(nil, n), n)
	return pngChunk("pHYs", append(size, 1)) // the unit is the meter
}

// writePNG writes a picture with chunks more after its IHDR.
func writePNG(w io.Writer, m image.Image, chunks ...[]byte) error {
	const headerEnd = 8 + 4 + 4 + 13 + 4 // the signature, and IHDR with its length, name and checksum
	var b bytes.Buffer
	if err := png.Encode(&b, m); err != nil {
		return err
	}
	_, err := w.Write(slices.Concat(b.Bytes()[:headerEnd], slices.Concat(chunks...), b.Bytes()[headerEnd:]))
	return err
}
