package take_test

import (
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"

	"example.com/twinplate/take"
)

// touch makes empty files below a new folder, and returns it.
func touch(t *testing.T, names ...string) string {
	t.Helper()
	dir := t.TempDir()
	for _, n := range names {
		path := filepath.Join(dir, n)
		if err := os.MkdirAll(filepath.Dir(path), 0o777); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, nil, 0o666); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

func numbers(s take.Sequence) (n []int) {
	for _, f := range s {
		n = append(n, f.Number)
	}
	return n
}

func TestFind(t *testing.T) {
	for _, test := range []struct {
		name  string
		files []string
		path  string // below the folder
		want  []int
		err   string
	}{
		{"a folder, padded", []string{"a_0001.png", "a_0002.png", "a_0010.png"}, "", []int{1, 2, 10}, ""},
		{"no padding: 10 comes after 9", []string{"9.png", "10.png", "8.png"}, "", []int{8, 9, 10}, ""},
		{"other files are passed over", []string{"1.png", "notes.txt", ".2.png", "sub/3.png"}, "", []int{1}, ""},
		{"digits before and behind that stay the same", []string{"cam2_0007_v3.tif", "cam2_0008_v3.tif"}, "", []int{7, 8}, ""},
		{"upper-case extension", []string{"A001.TIF", "A002.TIF"}, "", []int{1, 2}, ""},
		{"a glob", []string{"a1.png", "a2.png", "b1.png"}, "a*.png", []int{1, 2}, ""},
		{"a lone file", []string{"shot_0042.png"}, "shot_0042.png", []int{42}, ""},
		{"a lone file without a number", []string{"sea.jpg"}, "sea.jpg", []int{1}, ""},
		{"names with spaces and other letters", []string{"prise été 003.webp"}, "", []int{3}, ""},
		{"a name with the signs of a pattern", []string{"take[1].png"}, "take[1].png", []int{1}, ""},
		{"two takes in one folder", []string{"a_1.png", "b_1.png"}, "", nil, "both have the frame number 1"},
		{"the same number twice, padded and not", []string{"1.png", "01.png"}, "", nil, "both have the frame number 1"},
		{"no number", []string{"a.png", "b.png"}, "", nil, "no frame number in its name"},
		{"a number too long", []string{"1.png", "99999999999999999999.png"}, "", nil, "too long"},
		{"an empty folder", []string{"x/notes.txt"}, "x", nil, "no picture in it"},
		{"a missing folder", nil, "nowhere", nil, "no such file or folder"},
		{"a glob without a match", []string{"a1.png"}, "b*.png", nil, "no file matches"},
		{"a pattern that is none", []string{"a1.png"}, "[", nil, "not a pattern"},
	} {
		t.Run(test.name, func(t *testing.T) {
			got, err := take.Find(filepath.Join(touch(t, test.files...), test.path))
			if test.err != "" {
				if err == nil || !strings.Contains(err.Error(), test.err) {
					t.Fatalf("error %v, want one with %q", err, test.err)
				}
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			if !slices.Equal(numbers(got), test.want) {
				t.Errorf("frames %v, want %v", numbers(got), test.want)
			}
		})
	}
}

func frames(prefix string, n ...int) (s take.Sequence) {
	for _, i := range n {
		s = append(s, take.FrameFile{Number: i, Path: prefix})
	}
	return s
}

func TestMatch(t *testing.T) {
	p, err := take.Match(frames("c", 1, 2, 3, 5, 9), frames("b", 2, 3, 4, 5, 6))
	if err != nil {
		t.Fatal(err)
	}
	want := take.Pairing{Pairs: []take.FilePair{{2, "c", "b"}, {3, "c", "b"}, {5, "c", "b"}}, NoBand: []int{1, 9}, NoColor: []int{4, 6}}
	if !reflect.DeepEqual(p, want) {
		t.Errorf("%+v, want %+v", p, want)
	}
	if p, err = take.Match(frames("c", 7), frames("b", 3)); err != nil || p.Pairs[0].Number != 7 {
		t.Errorf("two single files: %+v, %v", p, err)
	}
	if _, err = take.Match(frames("c", 1, 2), frames("b", 3, 4, 6)); err == nil || !strings.Contains(err.Error(), "color has 1-2, band has 3-4, 6") {
		t.Errorf("no partners: %v", err)
	}
}

func TestSelect(t *testing.T) {
	all, err := take.Match(frames("c", 1, 2, 3, 4), frames("b", 1, 2, 3, 5))
	if err != nil {
		t.Fatal(err)
	}
	for _, test := range []struct {
		frames string
		want   int
		err    string
	}{
		{"", 3, ""}, {"2-3", 2, ""}, {"2-", 2, ""}, {"3", 1, ""}, {"0-99", 3, ""},
		{"7-9", 0, "selects nothing: the take has frames 1-3"},
		{"3-2", 0, "ends before it begins"}, {"a-b", 0, "must be like"}, {"-3", 0, "must be like"}, {"1-2-3", 0, "must be like"},
	} {
		first, last, err := take.ParseFrames(test.frames)
		var p take.Pairing
		if err == nil {
			p, err = all.Select(first, last)
		}
		if test.err != "" {
			if err == nil || !strings.Contains(err.Error(), test.err) {
				t.Errorf("%q: error %v, want one with %q", test.frames, err, test.err)
			}
			continue
		}
		if err != nil || len(p.Pairs) != test.want {
			t.Errorf("%q: %d pairs, %v; want %d", test.frames, len(p.Pairs), err, test.want)
		}
	}
}
