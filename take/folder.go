//go:build !js

package take

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"

	"example.com/twinplate/plate"
	"example.com/twinplate/plate/clip"
)

// Words in the names of plates: those of the demo's files, of the playground, and of what the
// planner's list asks to record.
var (
	flatWord       = plateWord(`flats?`)
	darkWord       = plateWord(`dark|black|cap(?:ped)?`)
	cleanWord      = plateWord(`clean|empty|blank`)
	backgroundWord = plateWord(`background|backing|bg|behind`)
	bandWord       = plateWord(`band|line|sodium|589|na_?d?`)
	colorWord      = plateWord(`colou?r|rgb|main`)
)

func plateWord(words string) *regexp.Regexp {
	return regexp.MustCompile(`(?:^|[^a-z])(?:` + words + `)(?:[^a-z]|$)`)
}

// field returns the recipe's field for a plate of this name, its name in a recipe, or nil.
func (r *Recipe) field(name string) (to *string, called string) {
	text := strings.ToLower(name)
	has := func(word *regexp.Regexp) bool { return word.MatchString(text) }
	color, band := has(colorWord), has(bandWord)
	of := func(kind string, ofColor, ofBand *string) (*string, string) {
		switch {
		case band:
			return ofBand, kind + "band"
		case color:
			return ofColor, kind + "color"
		}
		return nil, ""
	}
	switch {
	case has(flatWord):
		return of("flat_", &r.FlatColor, &r.FlatBand)
	case has(darkWord):
		return of("dark_", &r.DarkColor, &r.DarkBand)
	case has(cleanWord):
		return of("clean_", &r.CleanColor, &r.CleanBand)
	case has(backgroundWord):
		return &r.Background, "background"
	case color && band:
		return nil, ""
	}
	return of("", &r.Color, &r.Band)
}

// A Found plate is one that FromFolder has found.
type Found struct {
	Field string `json:"field"` // as a recipe calls it: "color", "clean_band" and so on
	Path  string `json:"path"`
}

// FromFolder returns the recipe of the plates that lie in a folder under names that say what they
// are, as the demo writes them: folders, pictures or video files called color, band, background,
// clean_color, clean_band, dark_color, dark_band, flat_color or flat_band, or with these words in
// their names (take3_band.mov). Frames that lie in the folder itself go by a pattern
// (color_0001.png and so on). What has no such name is passed over; the files of other folders are
// not looked at. An error says where two could be the same plate, and where there is none at all.
func FromFolder(dir string) (r Recipe, found []Found, err error) {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return r, nil, err
	}
	// By field, the paths and patterns, and the entries that they were made of.
	type candidate struct{ path, name string }
	all := map[*string][]candidate{}
	names := map[*string]string{}
	for _, e := range entries {
		name := e.Name()
		path := filepath.Join(dir, name)
		info, err := os.Stat(path) // behind a link too
		if err != nil || strings.HasPrefix(name, ".") {
			continue
		}
		bare := strings.TrimSuffix(name, filepath.Ext(name))
		if info.IsDir() {
			bare = name
		} else if extension := strings.ToLower(filepath.Ext(name)); !info.Mode().IsRegular() || !slices.Contains(plate.Extensions(), extension) && !slices.Contains(clip.Extensions, extension) {
			continue
		}
		to, called := r.field(bare)
		if to == nil {
			continue
		}
		names[to] = called
		if !info.IsDir() {
			if digits := lastDigits.FindStringIndex(bare); digits != nil && digits[0] > 0 {
				// A frame of several, if there are more of the pattern.
				path = filepath.Join(escapeGlob(dir), escapeGlob(bare[:digits[0]])+"[0-9]*"+escapeGlob(bare[digits[1]:]+filepath.Ext(name)))
				bare = bare[:digits[0]] + bare[digits[1]:]
			}
		}
		if c := (candidate{path, bare}); !slices.Contains(all[to], c) {
			all[to] = append(all[to], c)
		}
	}
	for _, to := range []*string{&r.Color, &r.Band, &r.Background, &r.CleanColor, &r.CleanBand, &r.DarkColor, &r.DarkBand, &r.FlatColor, &r.FlatBand} {
		some := all[to]
		if len(some) == 0 {
			continue
		}
		if exact := slices.IndexFunc(some, func(c candidate) bool { return strings.EqualFold(c.name, names[to]) }); exact > 0 {
			some[0] = some[exact]
		} else if exact < 0 && len(some) > 1 {
			return r, nil, fmt.Errorf("%s: both %s and %s could be the plate %s: say which by its flag", dir, some[0].path, some[1].path, names[to])
		}
		*to = some[0].path
		if matches, err := filepath.Glob(*to); err == nil && len(matches) == 1 {
			*to = matches[0]
		}
		found = append(found, Found{names[to], *to})
	}
	if len(found) == 0 {
		return r, nil, errors.New(dir + ": no plate is found in it: they are folders, pictures or clips with color, band, clean_band and so on in their names; or give each by its flag")
	}
	return r, found, nil
}

// lastDigits is a frame's number in a name.
var lastDigits = regexp.MustCompile(`[0-9]+$`)
