package main

import (
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// floors are the module's packages from the ground up: each may import those of the floors below
// its own. A folder that ends in / stands for all that is in it. What tests use stands beside them:
// it may import plate and lower, and no other package may import it.
var floors = [][]string{
	{"internal/half", "internal/list", "internal/names", "internal/parallel", "internal/robust", "internal/target", "internal/app/film", "reading"},
	{"internal/kernel", "internal/patches", "plate/exr"},
	{"internal/pngfile", "internal/blur"},
	{"plate"},
	{"plate/clf", "plate/clip", "internal/objects", "internal/scene"},
	{"align", "matte", "composite", "rig/simulate"},
	{"take", "rig"},
	{"dataset", "day", "internal/app/", "site"},
	{"cmd/", "wasm/", "site/", "bench/", "examples/"},
}

const (
	module   = "example.com/twinplate/"
	forTests = "internal/test/"
)

// floor returns the floor that a package stands on, or -1.
func floor(pkg string) int {
	return slices.IndexFunc(floors, func(on []string) bool {
		return slices.ContainsFunc(on, func(name string) bool {
			return pkg == name || strings.HasSuffix(name, "/") && strings.HasPrefix(pkg, name)
		})
	})
}

// pointsUp says what is wrong with a package's import, or "".
func pointsUp(pkg, imports string) string {
	switch from, to := floor(pkg), floor(imports); {
	case strings.HasPrefix(pkg, forTests):
		if !strings.HasPrefix(imports, forTests) && to > floor("plate") {
			return "what tests use may import plate and lower"
		}
	case strings.HasPrefix(imports, forTests):
		return "only tests may import it"
	case from < 0 || to < 0:
		return "floors does not say where both stand"
	case to >= from:
		return "it stands on the same floor, or above"
	}
	return ""
}

// eachFile calls do for each Go file of the module that is not a test's, whatever the system it is
// built for, with its package's folder under the module's.
func eachFile(do func(pkg, path string) error) error {
	const root = "../../.."
	return filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		name := d.Name()
		if d.IsDir() {
			if name == "node_modules" || name == "testdata" || strings.HasPrefix(name, ".") && path != root {
				return filepath.SkipDir
			}
			if _, err := os.Stat(filepath.Join(path, "go.mod")); err == nil && path != root {
				return filepath.SkipDir // a module of its own
			}
			return nil
		}
		if !strings.HasSuffix(name, ".go") || strings.HasSuffix(name, "_test.go") {
			return nil
		}
		pkg, err := filepath.Rel(root, filepath.Dir(path))
		if err != nil {
			return err
		}
		return do(filepath.ToSlash(pkg), path)
	})
}

// Imports point down; those of tests may point anywhere.
func TestImportsPointDown(t *testing.T) {
	seen := 0
	err := eachFile(func(pkg, path string) error {
		f, err := parser.ParseFile(token.NewFileSet(), path, nil, parser.ImportsOnly)
		if err != nil {
			return err
		}
		for _, spec := range f.Imports {
			imports, err := strconv.Unquote(spec.Path.Value)
			if err != nil {
				return err
			}
			imports, own := strings.CutPrefix(imports, module)
			if !own {
				continue
			}
			seen++
			if wrong := pointsUp(pkg, imports); wrong != "" {
				t.Errorf("%s imports %s: %s", path, imports, wrong)
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if seen < 100 {
		t.Errorf("only %d imports were seen", seen)
	}
}

func TestPointsUp(t *testing.T) {
	for _, row := range []struct {
		pkg, imports string
		ok           bool
	}{
		{"take", "align", true},
		{"align", "take", false},
		{"align", "matte", false},
		{"plate", "plate/exr", true},
		{"plate/exr", "plate", false},
		{"rig/simulate", "rig", false},
		{"internal/kernel", "plate", false},
		{"internal/app/proof", "take", true},
		{"take", "internal/app/page", false},
		{"take", "internal/test/odd", false},
		{"internal/test/odd", "plate", true},
		{"internal/test/odd", "matte", false},
		{"cmd/twinplate", "internal/app/proof", true},
		{"cmd/twinplate", "wasm/engine", false},
		{"newcomer", "plate", false},
	} {
		if wrong := pointsUp(row.pkg, row.imports); (wrong == "") != row.ok {
			t.Errorf("%s imports %s: %q", row.pkg, row.imports, wrong)
		}
	}
}
