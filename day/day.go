// Package day reads what two cameras recorded in a day: it pairs the clips of two cards, tells
// takes from clean and dark plates and charts, finds the rig's geometry, reads each take, and makes
// each a recipe.
package day

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"

	"example.com/twinplate/internal/list"
	"example.com/twinplate/internal/objects"
	"example.com/twinplate/plate/clip"
	"example.com/twinplate/reading"
	"example.com/twinplate/take"
)

// Version is that of the day's file.
const Version = 1

// maxFile is the most bytes of a day's file.
const maxFile = 16 << 20

// A Role says what a pair of clips is.
type Role string

// The kinds of pairs.
const (
	Take  Role = "take"  // a performer before the lit screen
	Clean Role = "clean" // the lit screen with nobody before it
	Dark  Role = "dark"  // no light: the lamps off, or the lenses capped
	Chart Role = "chart" // the chart that the geometry is found from
	Out   Role = "out"   // left out
)

// A Day is the clips of two cards. Its file is meant to be read and edited: what stands in a
// ClipPair beside Found is believed when the day is read again, and what is not there is found
// anew.
type Day struct {
	Version   int         `json:"day"`
	ColorCard string      `json:"color_card"` // the cards' folders
	BandCard  string      `json:"band_card"`
	Settings  take.Recipe `json:"settings"` // of all takes: curves, primaries, background and so on
	Clocks    []ClockGap  `json:"clocks,omitempty"`
	Pairs     []*ClipPair `json:"pairs"`
	Left      []Left      `json:"left,omitempty"`
	Rigs      []Rig       `json:"rigs,omitempty"`

	files *clip.MediaFiles // that all takes are read from, so that each clip is asked once; nil before
}

// A ClockGap is how far apart the two cameras' clocks are.
type ClockGap struct {
	By    string  `json:"by"`      // "time code" or "recording time"
	Apart float64 `json:"seconds"` // by which the band camera's is ahead
	Pairs int     `json:"pairs"`   // that it brings together
}

// A ClipPair is two clips of the same minutes.
type ClipPair struct {
	Name   string `json:"name"` // letters, digits, - and _
	Kind   Role   `json:"kind,omitempty"`
	Color  string `json:"color"`
	Band   string `json:"band"`
	Offset *int   `json:"offset,omitempty"` // color frame n goes with band frame n + Offset; nil: found
	// Of a take: the names of the pairs that its clean and dark plates are from, or "none"; empty:
	// found.
	Clean string   `json:"clean,omitempty"`
	Dark  string   `json:"dark,omitempty"`
	Found Findings `json:"found,omitzero"`

	color, band *Clip
	recipe      take.Recipe       // of a take that was read
	readings    []reading.Reading // the day's own
	borrowed    string            // the pair whose geometry it has for want of its own
}

// Findings are what was found of a pair.
type Findings struct {
	By       string          `json:"paired_by,omitempty"`
	Recorded string          `json:"recorded,omitempty"` // by the color camera's clock
	Frames   int             `json:"frames,omitempty"`   // that have a partner
	Seconds  float64         `json:"seconds,omitempty"`
	Offset   int             `json:"offset,omitempty"`
	OffsetBy string          `json:"offset_by,omitempty"` // "sound", "motion" and so on
	Rig      string          `json:"rig,omitempty"`       // the name of the geometry that is used
	Verdict  reading.Verdict `json:"verdict,omitempty"`   // the worst of all readings
	Wrong    []string        `json:"wrong,omitempty"`     // what is, and what to do
	Recipe   string          `json:"recipe,omitempty"`    // the file of the take's recipe; empty: it cannot be made
}

// A Left is a clip without a partner, or one that cannot be read.
type Left struct {
	Clip string `json:"clip"`
	Why  string `json:"why"`
	Do   string `json:"do"`
}

// Takes returns the pairs that are takes.
func (d *Day) Takes() []*ClipPair { return d.of(Take) }

func (d *Day) of(k Role) []*ClipPair {
	return list.Where(d.Pairs, func(p *ClipPair) bool { return p.Kind == k })
}

// named returns the pair of a name, or nil.
func (d *Day) named(name string) *ClipPair {
	if i := slices.IndexFunc(d.Pairs, func(p *ClipPair) bool { return p.Name == name }); i >= 0 {
		return d.Pairs[i]
	}
	return nil
}

// Clips returns the files of all pairs: none of them may be written over.
func (d *Day) Clips() []string {
	var all []string
	for _, p := range d.Pairs {
		all = append(all, p.Color, p.Band)
	}
	for _, l := range d.Left {
		all = append(all, l.Clip)
	}
	return all
}

// Choose returns the takes of names with commas between them, or with two dots between the first
// and the last of several: "take01,take04..take07". All of them where names is empty.
func (d *Day) Choose(names string) ([]*ClipPair, error) {
	takes := d.Takes()
	if names == "" {
		return takes, nil
	}
	at := func(name string) (int, error) {
		if i := slices.IndexFunc(takes, func(p *ClipPair) bool { return p.Name == strings.TrimSpace(name) }); i >= 0 {
			return i, nil
		}
		return 0, fmt.Errorf("the day has no take %q: it has %s", name, listed(takes))
	}
	var chosen []*ClipPair
	for part := range strings.SplitSeq(names, ",") {
		first, last, several := strings.Cut(part, "..")
		i, err := at(first)
		j := i
		if err == nil && several {
			j, err = at(last)
		}
		if err == nil && j < i {
			err = fmt.Errorf("takes %q: the last is before the first", part)
		}
		if err != nil {
			return nil, err
		}
		chosen = append(chosen, takes[i:j+1]...)
	}
	return chosen, nil
}

// listed writes the names of pairs.
func listed(pairs []*ClipPair) string {
	return strings.Join(list.Of(pairs, func(p *ClipPair) string { return p.Name }), ", ")
}

var rightName = regexp.MustCompile(`^[A-Za-z0-9_-]{1,64}$`)

// Check returns an error that names the first pair with something that cannot be.
func (d *Day) Check() error {
	if d.Version != Version {
		return fmt.Errorf("the day's file has version %d, and this program knows %d", d.Version, Version)
	}
	seen := map[string]bool{}
	for i, p := range d.Pairs {
		switch {
		case p == nil:
			return fmt.Errorf("pair %d is empty", i+1)
		case p.Name == "": // it gets one
		case !rightName.MatchString(p.Name):
			return fmt.Errorf("pair %d has the name %.70q: it must be up to 64 letters, digits, - and _", i+1, p.Name)
		case p.Name != "" && seen[strings.ToLower(p.Name)]:
			return fmt.Errorf("two pairs have the name %s", p.Name)
		case p.Color == "" || p.Band == "":
			return fmt.Errorf("pair %d, %s: it needs the clips of both cameras", i+1, p.Name)
		}
		seen[strings.ToLower(p.Name)] = true
		switch p.Kind {
		case "", Take, Clean, Dark, Chart, Out:
		default:
			return fmt.Errorf("%s: its kind is %.40q, and must be take, clean, dark, chart or out", p.Name, p.Kind)
		}
	}
	for _, p := range d.Pairs {
		for _, ref := range []string{p.Clean, p.Dark} {
			if ref != "" && ref != "none" && d.named(ref) == nil {
				return fmt.Errorf("%s: its plates are from %.70q, and there is no such pair", p.Name, ref)
			}
		}
	}
	return d.Settings.Check()
}

// paths are the fields that name files.
func (d *Day) paths() []*string {
	all := []*string{&d.ColorCard, &d.BandCard}
	for _, p := range d.Pairs {
		all = append(all, &p.Color, &p.Band)
	}
	for i := range d.Left {
		all = append(all, &d.Left[i].Clip)
	}
	return append(all, d.Settings.Paths()...)
}

// Open reads a day's file. Paths in it are relative to it. Errors name the file and the field.
func Open(path string) (*Day, error) {
	data, err := objects.Read(path, maxFile, "file of a day")
	if err != nil {
		return nil, err
	}
	d := &Day{}
	if err = objects.Strict(data, d); err == nil {
		err = d.Check()
	}
	if err != nil {
		return nil, fmt.Errorf("%s: not the file of a day: %w", path, objects.Line(err, data))
	}
	objects.Resolve(path, d.paths())
	return d, nil
}

// Is reports whether a file is that of a day, by how it begins.
func Is(path string) bool {
	file, err := os.Open(path)
	if err != nil {
		return false
	}
	defer file.Close()
	head := make([]byte, 64)
	n, _ := io.ReadFull(file, head)
	return bytes.HasPrefix(bytes.TrimLeft(head[:n], "{ \t\r\n"), []byte(`"day":`))
}

// Save writes the day's file, and beside it each take's recipe as NAME.json, each whole or not at
// all.
func (d *Day) Save(path string) error {
	for _, p := range d.Pairs {
		if p.Found.Recipe == "" || p.recipe.Color == "" {
			continue
		}
		if err := p.recipe.Save(filepath.Join(filepath.Dir(path), p.Found.Recipe)); err != nil {
			return err
		}
	}
	data, err := json.Marshal(d)
	if err != nil {
		return fmt.Errorf("%s: %w", path, err)
	}
	var own Day // whose paths are the file's
	if err := json.Unmarshal(data, &own); err != nil {
		return fmt.Errorf("%s: %w", path, err)
	}
	return objects.Save(path, &own, own.paths())
}

// Recipe returns the file of a take's recipe, for a day that was read from path. An error says why
// there is none, or that the day's file was edited since.
func (d *Day) Recipe(path string, p *ClipPair) (string, error) {
	if p.Found.Recipe == "" {
		why := "it was not read yet"
		if len(p.Found.Wrong) > 0 {
			why = strings.Join(p.Found.Wrong, "; ")
		}
		return "", fmt.Errorf("%s: it has no recipe: %s", p.Name, why)
	}
	if p.Found.Recipe != filepath.Base(p.Found.Recipe) {
		return "", fmt.Errorf("%s: its recipe %q must lie beside the day's file", p.Name, p.Found.Recipe)
	}
	file := filepath.Join(filepath.Dir(path), p.Found.Recipe)
	r, err := take.ReadRecipe(file)
	if err != nil {
		return "", fmt.Errorf("%s: %w", p.Name, err)
	}
	want := d.base(p)
	for _, same := range [][2]string{{r.Color, want.Color}, {r.Band, want.Band}, {r.CleanBand, want.CleanBand}, {r.DarkBand, want.DarkBand}} {
		a, errA := filepath.Abs(same[0])
		b, errB := filepath.Abs(same[1])
		if errA != nil || errB != nil || a != b {
			return "", fmt.Errorf("%s: the day's file was edited since its recipe was made: read the day again", p.Name)
		}
	}
	if p.Offset != nil && *p.Offset != r.Offset.Value {
		return "", fmt.Errorf("%s: the day's file was edited since its recipe was made: read the day again", p.Name)
	}
	return file, nil
}

// base is what a take's recipe has before anything is estimated.
func (d *Day) base(p *ClipPair) take.Recipe {
	r := d.Settings
	r.Color, r.Band = p.Color, p.Band
	switch {
	case p.Offset != nil:
		r.Offset = take.Given(*p.Offset)
	case p.Found.OffsetBy != "":
		r.Offset = take.Given(p.Found.Offset)
	default:
		r.Offset = take.Choice[int]{Mode: "auto"}
	}
	if c := d.named(p.Clean); c != nil {
		r.CleanColor, r.CleanBand = c.Color, c.Band
	}
	if c := d.named(p.Dark); c != nil {
		r.DarkColor, r.DarkBand = c.Color, c.Band
	}
	return r
}
