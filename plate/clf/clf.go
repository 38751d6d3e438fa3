// Package clf has the files of color that are XML. It reads and applies transforms in the Common
// LUT Format of SMPTE ST 2136-1 (the Academy's S-2014-006): chains of tables, matrices, ranges,
// logarithms, exponents and ASC CDL. And it reads and writes grades of the ASC's Color Decision
// List.
//
// All process nodes of version 3 of the format are applied, and those of version 2 but for an
// IndexMap. Values between nodes are not rounded to the bit depths that the file names: these only
// say what the file's numbers are parts of.
package clf

import (
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"

	"example.com/twinplate/internal/parallel"
	"example.com/twinplate/plate"
)

// Bounds of what is read.
const (
	maxBytes = 64 << 20 // of a file; the largest table that is read, as text, is well below
	maxNodes = 256      // of a file; chains that people make have fewer than ten
	max1D    = 1 << 20  // values of a table a channel
	max3D    = 129      // values of a cube's edge; the format's files have 65 at the most
)

// A Transform is what a CLF file says. It is safe for concurrent use.
type Transform struct {
	ID          string // the file's own
	Name        string
	Description string
	nodes       []node
}

// A node changes the pixels of a row, in place.
type node interface {
	apply(rgb [3][]float32)
}

// Read reads the CLF file at path. Errors name the file, and what is wrong and where.
func Read(path string) (*Transform, error) { return readFile(path, Parse) }

// readFile has a file's text read by parse.
func readFile[T any](path string, parse func(io.Reader) (T, error)) (none T, err error) {
	stat, err := os.Stat(path) // before it is opened: a pipe would wait forever
	if err == nil && !stat.Mode().IsRegular() {
		err = errors.New("not a file but a folder, a pipe or a device")
	}
	if err != nil {
		return none, fmt.Errorf("%s: %w", path, withoutPath(err))
	}
	file, err := os.Open(path)
	if err != nil {
		return none, fmt.Errorf("%s: %w", path, withoutPath(err))
	}
	defer file.Close()
	t, err := parse(file)
	if err != nil {
		return none, fmt.Errorf("%s: %w", path, err)
	}
	return t, nil
}

// withoutPath returns what an error of package os wraps: its text repeats the path.
func withoutPath(err error) error {
	var e *os.PathError
	if errors.As(err, &e) {
		return e.Err
	}
	return err
}

// Parse reads a CLF file's text.
func Parse(r io.Reader) (*Transform, error) {
	root, err := parse(r, "a CLF transform")
	if err == nil && root.name() != "ProcessList" {
		err = fmt.Errorf("not a CLF transform: its root is <%.40s>, and must be <ProcessList>", root.name())
	}
	if err != nil {
		return nil, err
	}
	t := &Transform{ID: root.attr("id"), Name: root.attr("name")}
	for i := range root.Children {
		e := &root.Children[i]
		switch e.name() {
		case "Description":
			if t.Description == "" {
				t.Description = strings.TrimSpace(e.Text)
			}
			continue
		case "InputDescriptor", "OutputDescriptor", "Info":
			continue
		}
		if len(t.nodes) == maxNodes {
			return nil, fmt.Errorf("more than %d process nodes", maxNodes)
		}
		n, err := newNode(e)
		if err != nil {
			return nil, fmt.Errorf("process node %d, %s: %w", len(t.nodes)+1, e.label(), err)
		}
		if e.attr("bypass") != "true" {
			t.nodes = append(t.nodes, n)
		} else {
			t.nodes = append(t.nodes, pass{})
		}
	}
	if len(t.nodes) == 0 {
		return nil, errors.New("a transform of no process node: it must have one at least")
	}
	return t, nil
}

// parse reads XML, which is to be what is named.
func parse(r io.Reader, what string) (*element, error) {
	limited := &io.LimitedReader{R: r, N: maxBytes + 1}
	root := &element{}
	err := xml.NewDecoder(limited).Decode(root)
	switch {
	case limited.N == 0:
		return nil, fmt.Errorf("more than %d MiB: too long for an XML file of color", maxBytes>>20)
	case errors.Is(err, io.EOF):
		return nil, fmt.Errorf("an empty file, and not %s", what)
	case err != nil:
		return nil, fmt.Errorf("not %s: %w", what, err)
	}
	return root, nil
}

// Row puts a row of pixels through the transform, in place. The three have one length.
func (t *Transform) Row(red, green, blue []float32) {
	row := [3][]float32{red, green[:len(red)], blue[:len(red)]}
	for _, n := range t.nodes {
		n.apply(row)
	}
}

// Frame puts a frame through the transform, in place, on all cores.
func (t *Transform) Frame(f *plate.RGB) {
	parallel.EachRow(f.W, f.H, func(y int) {
		row := f.Row(y)
		t.Row(row[0], row[1], row[2])
	})
}

// An element is any XML element.
type element struct {
	XMLName  xml.Name
	Attrs    []xml.Attr `xml:",any,attr"`
	Text     string     `xml:",chardata"`
	Children []element  `xml:",any"`
}

func (e *element) name() string { return e.XMLName.Local }

// label names the element for errors, by its id or name too, where it has one.
func (e *element) label() string {
	for _, key := range []string{"name", "id"} {
		if v := e.attr(key); v != "" {
			return fmt.Sprintf("<%.40s> %.40q", e.name(), v)
		}
	}
	return fmt.Sprintf("<%.40s>", e.name())
}

// attr returns the value of an attribute, or "".
func (e *element) attr(name string) string {
	if i := slices.IndexFunc(e.Attrs, func(a xml.Attr) bool { return a.Name.Local == name }); i >= 0 {
		return strings.TrimSpace(e.Attrs[i].Value)
	}
	return ""
}

// child returns the first child of that name, or nil.
func (e *element) child(name string) *element {
	if i := slices.IndexFunc(e.Children, func(c element) bool { return c.name() == name }); i >= 0 {
		return &e.Children[i]
	}
	return nil
}

// number returns the number that an attribute has, or the default where there is none.
func (e *element) number(name string, otherwise float64) (float64, error) {
	text := e.attr(name)
	if text == "" {
		return otherwise, nil
	}
	v, err := finite(text)
	if err != nil {
		return 0, fmt.Errorf("%s is %.40q, and must be a finite number", name, text)
	}
	return v, nil
}

func finite(text string) (float64, error) {
	v, err := strconv.ParseFloat(text, 64)
	if err == nil && (math.IsNaN(v) || math.IsInf(v, 0)) {
		err = strconv.ErrRange
	}
	return v, err
}

// numbers returns the numbers of an element's text, of which there must be n.
func (e *element) numbers(n int) ([]float64, error) {
	fields := strings.Fields(e.Text)
	if len(fields) != n {
		return nil, fmt.Errorf("<%.40s> has %d numbers, and must have %d", e.name(), len(fields), n)
	}
	out := make([]float64, n)
	for i, f := range fields {
		v, err := finite(f)
		if err != nil {
			return nil, fmt.Errorf("<%.40s>: number %d is %.40q, and must be finite", e.name(), i+1, f)
		}
		out[i] = v
	}
	return out, nil
}

// depths returns what the node's input and output numbers are parts of, by its bit depths.
func (e *element) depths() (in, out float64, err error) {
	var scale [2]float64
	for i, name := range []string{"inBitDepth", "outBitDepth"} {
		switch text := e.attr(name); text {
		case "8i", "10i", "12i", "16i":
			bits, _ := strconv.Atoi(strings.TrimSuffix(text, "i"))
			scale[i] = math.Exp2(float64(bits)) - 1
		case "16f", "32f":
			scale[i] = 1
		case "":
			return 0, 0, fmt.Errorf("it has no %s", name)
		default:
			return 0, 0, fmt.Errorf("%s is %.40q, and must be 8i, 10i, 12i, 16i, 16f or 32f", name, text)
		}
	}
	return scale[0], scale[1], nil
}

// array returns the dimensions of the node's Array and its numbers.
func (e *element) array() (dim []int, values []float64, err error) {
	a := e.child("Array")
	if a == nil {
		return nil, nil, errors.New("it has no <Array>")
	}
	n := 1
	for f := range strings.FieldsSeq(a.attr("dim")) {
		v, err := strconv.Atoi(f)
		if err != nil || v < 1 || v > max1D {
			return nil, nil, fmt.Errorf("the Array's dim has %.40q, and must have whole numbers from 1 to %d", f, max1D)
		}
		if dim = append(dim, v); len(dim) > 4 {
			break
		}
		if n *= v; n > 3*max1D && n > 3*max3D*max3D*max3D {
			return nil, nil, fmt.Errorf("an Array of dim %.40q is too large", a.attr("dim"))
		}
	}
	if len(dim) < 2 || len(dim) > 4 {
		return nil, nil, fmt.Errorf("the Array's dim is %.40q, and must have two to four numbers", a.attr("dim"))
	}
	if len(dim) == 3 { // "3 3 3" and "3 4 3" are matrices of older files, the last for the colors
		n = dim[0] * dim[1]
	}
	values, err = a.numbers(n)
	return dim, values, err
}

// A pass leaves everything as it is.
type pass struct{}

func (pass) apply([3][]float32) {}
