// Package take is a recording as a whole: it finds and pairs the frames of both cameras, keeps what
// reproduces a result in a recipe, and runs the frames through the job as a stream.
package take

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"sort"
	"strconv"
	"strings"

	"example.com/twinplate/internal/list"
	"example.com/twinplate/plate"
)

// A FrameFile is one numbered picture file.
type FrameFile struct {
	Number int
	Path   string
}

// A Sequence is the frames of one camera in the order of their numbers, each number once.
type Sequence []FrameFile

// Find returns the sequence that path stands for: a folder (its picture files, by
// plate.Extensions), a single file, or a glob as of path/filepath.Match. A file's number is the
// last group of digits in its name that differs from file to file, so padding and prefix do not
// matter; a lone file without digits is number 1. An error says when there is no such file, when
// two files have one number, or when a file has none.
func Find(path string) (Sequence, error) {
	paths, err := files(path)
	if err != nil {
		return nil, err
	}
	return number(paths)
}

// files returns the picture files that path stands for.
func files(path string) ([]string, error) {
	info, err := os.Stat(path)
	switch {
	case err == nil && info.IsDir():
		entries, err := os.ReadDir(path)
		if err != nil {
			return nil, fmt.Errorf("the folder cannot be read: %w", err)
		}
		extensions := plate.Extensions()
		var paths []string
		for _, e := range entries {
			if !e.IsDir() && !strings.HasPrefix(e.Name(), ".") && slices.Contains(extensions, strings.ToLower(filepath.Ext(e.Name()))) {
				paths = append(paths, filepath.Join(path, e.Name()))
			}
		}
		if len(paths) == 0 {
			return nil, fmt.Errorf("%s: the folder has no picture in it (%s)", path, strings.Join(extensions, ", "))
		}
		return paths, nil
	case err == nil:
		return []string{path}, nil
	case !errors.Is(err, fs.ErrNotExist):
		return nil, err
	}
	if !strings.ContainsAny(path, "*?[") {
		return nil, notFound(path + ": there is no such file or folder")
	}
	if err := narrow(path); err != nil {
		return nil, err
	}
	paths, err := filepath.Glob(path)
	if err != nil {
		return nil, fmt.Errorf("%s: not a pattern that can be read: %w", path, err)
	}
	if len(paths) == 0 {
		return nil, notFound(path + ": no file matches this pattern")
	}
	return paths, nil
}

// mostWild is how many parts of a pattern may have a *, ? or [: a file's name and a folder's. With
// more, or with one just below the root, a pattern walks the whole machine.
const mostWild = 2

// narrow returns an error where a pattern looks at too much.
func narrow(path string) error {
	wild, first := 0, false
	volume := filepath.VolumeName(path)
	parts := strings.Split(filepath.ToSlash(path[len(volume):]), "/")
	for i, part := range parts {
		if strings.ContainsAny(part, "*?[") {
			wild++
			first = first || i == 1 && parts[0] == "" && len(parts) > 2
		}
	}
	if wild > mostWild || first {
		return fmt.Errorf("%s: the pattern looks through too many folders: give the folder, with patterns for the file's name and one folder's at most", path)
	}
	return nil
}

// A notFound error is fs.ErrNotExist in words of its own.
type notFound string

func (e notFound) Error() string { return string(e) }

func (e notFound) Is(target error) bool { return target == fs.ErrNotExist }

// maxFrames is the most frames of a recording: 12 hours at 24 a second.
const maxFrames = 1 << 20

func number(paths []string) (Sequence, error) {
	if len(paths) > maxFrames {
		return nil, fmt.Errorf("%s and %d other files: a recording has %d frames at the most; give a pattern that selects fewer", paths[0], len(paths)-1, maxFrames)
	}
	groups := make([][]string, len(paths))
	for i, p := range paths {
		base := filepath.Base(p)
		groups[i] = digits(strings.TrimSuffix(base, filepath.Ext(base)))
	}
	which := func(i int) string { return groups[i][len(groups[i])-1] }
	if k, ok := varying(groups); ok {
		which = func(i int) string { return groups[i][k] }
	}
	var seq Sequence
	for i, p := range paths {
		if len(groups[i]) == 0 {
			if len(paths) == 1 {
				return Sequence{{1, p}}, nil
			}
			return nil, fmt.Errorf("%s: there is no frame number in its name; name frames like %s", p, "take_0001"+filepath.Ext(p))
		}
		n, err := strconv.Atoi(which(i))
		if err != nil {
			return nil, fmt.Errorf("%s: the frame number %s is too long", p, which(i))
		}
		seq = append(seq, FrameFile{n, p})
	}
	sort.SliceStable(seq, func(i, j int) bool { return seq[i].Number < seq[j].Number })
	for i := 1; i < len(seq); i++ {
		if seq[i].Number == seq[i-1].Number {
			return nil, fmt.Errorf("%s and %s both have the frame number %d: give a pattern that selects one of them, like \"%s\"",
				seq[i-1].Path, seq[i].Path, seq[i].Number, filepath.Join(filepath.Dir(seq[i].Path), strings.TrimRight(filepath.Base(seq[i].Path), "0123456789"+filepath.Ext(seq[i].Path))+"*"+filepath.Ext(seq[i].Path)))
		}
	}
	return seq, nil
}

// digits returns the groups of ASCII digits in s.
func digits(s string) []string {
	return strings.FieldsFunc(s, func(r rune) bool { return r < '0' || r > '9' })
}

// varying returns the last place at which the groups differ, if all have the same count of groups.
func varying(groups [][]string) (int, bool) {
	if slices.ContainsFunc(groups, func(g []string) bool { return len(g) != len(groups[0]) }) {
		return 0, false
	}
	for k := len(groups[0]) - 1; k >= 0; k-- {
		if slices.ContainsFunc(groups, func(g []string) bool { return g[k] != groups[0][k] }) {
			return k, true
		}
	}
	return 0, false
}

// A FilePair is the two files of one frame. Number is the color plate's.
type FilePair struct {
	Number      int
	Color, Band string
}

func numbers(pairs []FilePair) []int {
	return list.Of(pairs, func(p FilePair) int { return p.Number })
}

// A Pairing is what Match makes of two sequences.
type Pairing struct {
	Pairs   []FilePair
	NoBand  []int // numbers of color frames without a partner
	NoColor []int // numbers of band frames without a partner
}

// Match pairs two sequences by frame number. Two single files are a pair whatever their numbers. No
// pair at all is an error.
func Match(color, band Sequence) (Pairing, error) { return MatchOffset(color, band, 0) }

// MatchOffset is Match for recordings whose numbers do not correspond: the color frame n is paired
// with the band frame n + offset.
func MatchOffset(color, band Sequence, offset int) (Pairing, error) {
	var p Pairing
	if len(color) == 1 && len(band) == 1 {
		p.Pairs = []FilePair{{color[0].Number, color[0].Path, band[0].Path}}
		return p, nil
	}
	i, j := 0, 0
	for i < len(color) || j < len(band) {
		switch {
		case j == len(band) || i < len(color) && color[i].Number < band[j].Number-offset:
			p.NoBand = append(p.NoBand, color[i].Number)
			i++
		case i == len(color) || band[j].Number-offset < color[i].Number:
			p.NoColor = append(p.NoColor, band[j].Number)
			j++
		default:
			p.Pairs = append(p.Pairs, FilePair{color[i].Number, color[i].Path, band[j].Path})
			i++
			j++
		}
	}
	if len(p.Pairs) == 0 {
		which := "of the same number"
		if offset != 0 {
			which = fmt.Sprintf("whose number is %+d from its own", offset)
		}
		return p, fmt.Errorf("no color frame has a band frame %s: color has %s, band has %s; where the cameras count differently, the offset between them must be given, or found from motion (auto)",
			which, Ranges(p.NoBand), Ranges(p.NoColor))
	}
	return p, nil
}

// Ranges writes ascending numbers as "1-4, 7, 9-12".
func Ranges(n []int) string {
	if len(n) == 0 {
		return "none"
	}
	var parts []string
	for i := 0; i < len(n); {
		j := i
		for j+1 < len(n) && n[j+1] == n[j]+1 {
			j++
		}
		if i == j {
			parts = append(parts, strconv.Itoa(n[i]))
		} else {
			parts = append(parts, fmt.Sprintf("%d-%d", n[i], n[j]))
		}
		i = j + 1
	}
	return strings.Join(parts, ", ")
}

// ParseFrames reads a frame range: "A-B", "A" alone, or "A-" for all from A on. An empty string is
// all.
func ParseFrames(s string) (first, last int, err error) {
	const all = int(^uint(0) >> 1)
	if s == "" {
		return 0, all, nil
	}
	bad := func() (int, int, error) {
		return 0, 0, fmt.Errorf("frame range %q: it must be like 12-48, 12- or 12", s)
	}
	a, b, isRange := strings.Cut(s, "-")
	if first, err = strconv.Atoi(a); err != nil || first < 0 {
		return bad()
	}
	switch {
	case !isRange:
		last = first
	case b == "":
		last = all
	default:
		if last, err = strconv.Atoi(b); err != nil {
			return bad()
		}
	}
	if last < first {
		return 0, 0, fmt.Errorf("frame range %q: it ends before it begins", s)
	}
	return first, last, nil
}

// Select returns the pairing of the frames from first to last. No pair among them is an error that
// says which there are.
func (p Pairing) Select(first, last int) (Pairing, error) {
	inside := func(n int) bool { return n >= first && n <= last }
	q := Pairing{
		list.Where(p.Pairs, func(x FilePair) bool { return inside(x.Number) }), list.Where(p.NoBand, inside), list.Where(p.NoColor, inside),
	}
	if len(q.Pairs) == 0 {
		return q, fmt.Errorf("the frame range selects nothing: the take has frames %s", Ranges(numbers(p.Pairs)))
	}
	return q, nil
}
