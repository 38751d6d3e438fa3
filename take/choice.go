package take

import (
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"example.com/twinplate/internal/list"
	"example.com/twinplate/matte"
)

// A Choice says where a value of a recipe comes from. The zero value is its field's default.
type Choice[T any] struct {
	Mode  string // "auto": from the take; "none"; "given": Value; "file": File. Empty: its field's default
	Value T      // with "given"
	File  string // with "file", which Recipe.Geometry alone may be
}

// Given returns the choice of v.
func Given[T any](v T) Choice[T] { return Choice[T]{Mode: "given", Value: v} }

// Set makes the choice that s names, as a command line does: "auto", "none", a value (numbers with
// commas between them), or else a file. Recipe.Check refuses what its field cannot be.
func (c *Choice[T]) Set(s string) {
	*c = Choice[T]{}
	switch {
	case s == "" || s == "auto" || s == "none":
		c.Mode = s
	case parse(s, &c.Value):
		c.Mode = "given"
	default:
		*c = Choice[T]{Mode: "file", File: s}
	}
}

// parse reads numbers into to, and reports whether s has what to holds. What is more than numbers
// has no form in words.
func parse(s string, to any) bool {
	switch to := to.(type) {
	case *int:
		var err error
		*to, err = strconv.Atoi(s)
		return err == nil
	case *float64:
		return list.Numbers(s, to)
	case *[2]float64:
		return list.Numbers(s, &to[0], &to[1])
	case *[3]float64:
		return list.Numbers(s, &to[0], &to[1], &to[2])
	case *matte.Glare:
		return list.Numbers(s, &to.Strength)
	}
	return false
}

// MarshalJSON writes "auto", "none", a file's name, or the value itself.
func (c Choice[T]) MarshalJSON() ([]byte, error) {
	switch c.Mode {
	case "given":
		return json.Marshal(c.Value)
	case "file":
		return json.Marshal(c.File)
	}
	return json.Marshal(c.Mode)
}

// UnmarshalJSON reads what MarshalJSON writes, and a string as Set does. What it cannot read becomes
// a Mode that Recipe.Check refuses.
func (c *Choice[T]) UnmarshalJSON(data []byte) error {
	var s string
	if json.Unmarshal(data, &s) == nil {
		c.Set(s)
		return nil
	}
	*c = Choice[T]{Mode: "given"}
	if data[0] == '{' {
		err := json.Unmarshal(data, &c.Value)
		if wrong := new(json.UnmarshalTypeError); errors.As(err, &wrong) { // whose text may name no field
			*c, err = Choice[T]{Mode: string(data)}, nil
		}
		return err
	}
	// Numbers are read as words are: Go's decoder would take two where there must be three.
	if !parse(strings.TrimSuffix(strings.TrimPrefix(string(data), "["), "]"), &c.Value) {
		*c = Choice[T]{Mode: string(data)}
	}
	return nil
}

// check returns an error that names the field, unless the choice is the default, "auto", "none" or
// a value that is right; form says what that is.
func (c Choice[T]) check(field, form string, right func(T) bool) error {
	var is any = c.Mode
	switch c.Mode {
	case "", "auto", "none":
		return nil
	case "given":
		if right(c.Value) {
			return nil
		}
		is = c.Value
	case "file":
		is = strconv.Quote(c.File)
	}
	return fmt.Errorf("%s %+v: it must be auto, none, or %s", field, is, form)
}

const (
	mostGlare    = 0.5  // strength, as matte.Glare states it
	mostSoftness = 5    // sigma of the blur, in pixels: beyond, the picture is lost
	mostLateral  = 0.01 // scale less 1: twenty times what photographic lenses have (common practice)
)

// checkChoices is Check for the fields that are a Choice.
func (r *Recipe) checkChoices() error {
	within := func(least, most float64, all ...float64) bool {
		return !slices.ContainsFunc(all, func(v float64) bool { return !(v >= least && v <= most) })
	}
	if r.Gain.Mode == "given" {
		for n, g := range r.Gain.Value {
			if !(g > 0) {
				return fmt.Errorf("gain of frame %d is %v, and must be above 0", n, g)
			}
		}
	}
	if g := r.Geometry; g.Mode == "given" {
		if err := g.Value.Check(); err != nil {
			return err
		}
	} else if g.Mode != "file" || g.File == "" {
		if err := g.check("geometry", "a file from `twinplate register`", nil); err != nil {
			return err
		}
	}
	return cmp.Or(
		r.Offset.check("offset", "a whole number of frames like 12 or -3", func(int) bool { return true }),
		r.LateralColor.check("lateral_color", fmt.Sprintf("two numbers from -%g to %g like 0.0005,-0.0003", mostLateral, mostLateral),
			func(v [2]float64) bool { return within(-mostLateral, mostLateral, v[:]...) }),
		r.MatchSoftness.check("match_softness", fmt.Sprintf("a number of pixels from -%d to %d", mostSoftness, mostSoftness),
			func(v float64) bool { return within(-mostSoftness, mostSoftness, v) }),
		r.Crosstalk.check("crosstalk", "three numbers between -1 and 1 like 0.03,0.02,0.005",
			func(m [3]float64) bool { return within(-1, 1, m[:]...) }),
		r.Gain.check("gain", "in a recipe, an object of numbers by frame number", func(map[int]float64) bool { return true }),
		r.Glare.check("glare", fmt.Sprintf("a strength from 0 to %g", mostGlare),
			func(g matte.Glare) bool { return within(0, mostGlare, g.Strength) }),
	)
}
