package clf

import (
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"strings"

	"example.com/twinplate/plate"
)

// A Correction is a grade of a file of the ASC Color Decision List, version 1.2.
type Correction struct {
	ID          string // "" where it has none
	Description string
	plate.CDL
}

// ReadCDL reads the grades of the file at path: a ColorCorrection (.cc), a
// ColorCorrectionCollection (.ccc) or a ColorDecisionList (.cdl); what a file is says its root
// element. Errors name the file, and what is wrong and where.
func ReadCDL(path string) ([]Correction, error) {
	return readFile(path, ParseCDL)
}

// ParseCDL reads what ReadCDL does from a file's text.
func ParseCDL(r io.Reader) ([]Correction, error) {
	root, err := parse(r, "an ASC CDL")
	if err != nil {
		return nil, err
	}
	var all []Correction
	add := func(e *element) error {
		const most = 10000 // corrections; a film's list has some hundreds
		if len(all) == most {
			return fmt.Errorf("more than %d corrections", most)
		}
		c := Correction{ID: e.attr("id")}
		for _, from := range []*element{e, e.child("SOPNode")} {
			if from != nil && c.Description == "" && from.child("Description") != nil {
				c.Description = strings.TrimSpace(from.child("Description").Text)
			}
		}
		var err error
		if c.CDL, err = readCDL(e); err != nil {
			return fmt.Errorf("correction %d, %s: %w", len(all)+1, e.label(), err)
		}
		all = append(all, c)
		return nil
	}
	switch root.name() {
	case "ColorCorrection":
		err = add(root)
	case "ColorCorrectionCollection", "ColorDecisionList":
		for i := range root.Children {
			e := &root.Children[i]
			if e.name() == "ColorDecision" {
				if e = e.child("ColorCorrection"); e == nil {
					continue // it refers to another file's
				}
			}
			if e.name() == "ColorCorrection" && err == nil {
				err = add(e)
			}
		}
	default:
		return nil, fmt.Errorf("not an ASC CDL: its root is <%.40s>, and must be <ColorCorrection>, <ColorCorrectionCollection> or <ColorDecisionList>", root.name())
	}
	if err == nil && len(all) == 0 {
		err = errors.New("there is no <ColorCorrection> in it")
	}
	return all, err
}

// readCDL reads the SOPNode and the SatNode of an element; what is not there changes nothing.
func readCDL(e *element) (plate.CDL, error) {
	c := plate.NewCDL()
	if sop := e.child("SOPNode"); sop != nil {
		for _, part := range []struct {
			name string
			to   *[3]float64
		}{{"Slope", &c.Slope}, {"Offset", &c.Offset}, {"Power", &c.Power}} {
			child := sop.child(part.name)
			if child == nil {
				return c, fmt.Errorf("its <SOPNode> has no <%s>", part.name)
			}
			v, err := child.numbers(3)
			if err != nil {
				return c, err
			}
			copy(part.to[:], v)
		}
	}
	for _, name := range []string{"SatNode", "SATNode"} { // programs write both
		sat := e.child(name)
		if sat == nil {
			continue
		}
		child := sat.child("Saturation")
		if child == nil {
			return c, fmt.Errorf("its <%s> has no <Saturation>", name)
		}
		v, err := child.numbers(1)
		if err != nil {
			return c, err
		}
		c.Saturation = v[0]
	}
	return c, c.Check()
}

// WriteCDL writes grades to the file at path, whole or not at all: as what its extension says, a
// ColorCorrection (.cc, for one grade), a ColorCorrectionCollection (.ccc) or a ColorDecisionList
// (.cdl). Numbers have all their digits.
func WriteCDL(path string, all []Correction) error {
	type sopNode struct {
		Description string `xml:",omitempty"`
		Slope       string
		Offset      string
		Power       string
	}
	type correction struct {
		XMLName xml.Name `xml:"ColorCorrection"`
		Space   string   `xml:"xmlns,attr,omitempty"`
		ID      string   `xml:"id,attr,omitempty"`
		SOP     sopNode  `xml:"SOPNode"`
		Sat     float64  `xml:"SatNode>Saturation"`
	}
	type decision struct{ ColorCorrection correction }
	const space = "urn:ASC:CDL:v1.01" // of the schema, which has kept it since
	list := make([]correction, len(all))
	ids := map[string]bool{}
	for i, c := range all {
		if err := c.Check(); err != nil {
			return fmt.Errorf("%s: correction %d: %w", path, i+1, err)
		}
		if c.ID != "" && ids[c.ID] {
			return fmt.Errorf("%s: two corrections have the id %q", path, c.ID)
		}
		ids[c.ID] = true
		text := func(v [3]float64) string { return fmt.Sprintf("%v %v %v", v[0], v[1], v[2]) }
		list[i] = correction{ID: c.ID, SOP: sopNode{c.Description, text(c.Slope), text(c.Offset), text(c.Power)}, Sat: c.Saturation}
	}
	var root any
	switch ext := strings.ToLower(filepath.Ext(path)); {
	case len(list) == 0:
		return fmt.Errorf("%s: there is no correction to write", path)
	case ext == ".cc" && len(list) == 1:
		list[0].Space = space
		root = list[0]
	case ext == ".cc":
		return fmt.Errorf("%s: a .cc file has one correction, and there are %d: write .ccc or .cdl", path, len(list))
	case ext == ".ccc":
		root = struct {
			XMLName         xml.Name `xml:"ColorCorrectionCollection"`
			Space           string   `xml:"xmlns,attr"`
			ColorCorrection []correction
		}{Space: space, ColorCorrection: list}
	case ext == ".cdl":
		decisions := make([]decision, len(list))
		for i := range list {
			decisions[i].ColorCorrection = list[i]
		}
		root = struct {
			XMLName       xml.Name `xml:"ColorDecisionList"`
			Space         string   `xml:"xmlns,attr"`
			ColorDecision []decision
		}{Space: space, ColorDecision: decisions}
	default:
		return fmt.Errorf("%s: the name of an ASC CDL ends in .cc, .ccc or .cdl", path)
	}
	data, err := xml.MarshalIndent(root, "", "  ")
	if err != nil {
		return fmt.Errorf("%s: %w", path, err)
	}
	return plate.WriteAtomic(path, func(w io.Writer) error {
		_, err := io.WriteString(w, xml.Header+string(data)+"\n")
		return err
	})
}
