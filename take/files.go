package take

import (
	"path/filepath"
	"strings"

	"example.com/twinplate/internal/list"
	"example.com/twinplate/internal/objects"
)

// Files returns the picture files that path stands for, as Find does, in the order of their names:
// they need no numbers.
func Files(path string) ([]string, error) { return files(path) }

// FileOf returns the file that a frame's path is of: the path itself, or the video file that the
// frame is in.
func (t *Take) FileOf(path string) string { return t.files.FileOf(path) }

// ofClip reports whether a frame's path is of a clip, or is what a clip's frame was unpacked to.
func (t *Take) ofClip(path string) bool {
	return t.FileOf(path) != path || strings.EqualFold(filepath.Ext(path), ".y4m")
}

// ReferenceFiles returns the files that the recipe names beside its frames and its background:
// reference plates, flat frames, geometry, measured curves. An error says which is not there.
func (r Recipe) ReferenceFiles() ([]string, error) {
	var all []string
	for _, p := range r.named() {
		if p == &r.Color || p == &r.Band || p == &r.Background {
			continue
		}
		some, err := files(*p)
		if err != nil {
			return nil, err
		}
		all = append(all, some...)
	}
	return all, nil
}

// InputFiles returns all the files that the recipe names, as far as they are there: those of its
// frames and its background too.
func (r Recipe) InputFiles() []string {
	var all []string
	for _, p := range r.named() {
		if some, err := files(*p); err == nil {
			all = append(all, some...)
		}
	}
	return all
}

// BaseNames returns the recipe with the names of its files without their folders, so that two
// recipes can be compared wherever their files lie.
func (r Recipe) BaseNames() Recipe {
	toBase(r.Paths())
	return r
}

func toBase(paths []*string) {
	for _, p := range list.Where(paths, isSet) {
		*p = filepath.Base(*p)
	}
}

// named are the Paths that name something.
func (r *Recipe) named() []*string { return list.Where(r.Paths(), isSet) }

func isSet(path *string) bool { return *path != "" }

// maxSmall is the most bytes of a recipe's or a geometry's file.
const maxSmall = 64 << 20

func readSmall(path string) ([]byte, error) {
	return objects.Read(path, maxSmall, "recipe and no geometry")
}
