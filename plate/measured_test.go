package plate_test

import (
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"example.com/twinplate/plate"
)

// writeFile writes a file into a new folder and returns its path.
func writeFile(t testing.TB, name, content string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(path, []byte(content), 0o666); err != nil {
		t.Fatal(err)
	}
	return path
}

func TestReadCurve(t *testing.T) {
	for _, row := range []struct {
		what, text string
		points     [][2]float64 // code value and light
	}{
		{"codes of 0 to 1, a heading, comments", "code,linear\n# measured\n0,0\n0.5,0.2 # the middle\n\n1,1\n",
			[][2]float64{{0, 0}, {0.25, 0.1}, {0.5, 0.2}, {0.75, 0.6}, {1, 1}, {2, 2.6}, {-0.5, -0.2}}},
		{"8 bits", "0,0\n200,1\n", [][2]float64{{200.0 / 255, 1}, {0, 0}}},
		{"10 bits, for the highest exceeds 255", "64,0\n940,1\n", [][2]float64{{64.0 / 1023, 0}, {940.0 / 1023, 1}, {0, -64.0 / 876}}},
		{"12 bits", "0,0\n4095,1\n", [][2]float64{{1, 1}}},
		{"16 bits", "0,0\n4096,1\n", [][2]float64{{4096.0 / 65535, 1}}},
		{"full scale said", "# full_scale: 16383\n0,0\n16383,4\n", [][2]float64{{1, 4}}},
		{"spaces, carriage returns, a byte order mark", "\ufeff0 , -0.5\r\n1 , 1.5\r\n", [][2]float64{{0.5, 0.5}}},
	} {
		c, err := plate.ReadCurve(writeFile(t, "camera.csv", row.text))
		if err != nil {
			t.Errorf("%s: %v", row.what, err)
			continue
		}
		if c.Name() != "camera.csv" {
			t.Errorf("%s: its name is %q, want camera.csv", row.what, c.Name())
		}
		for _, p := range row.points {
			if got := c.ToLinear(p[0]); !(math.Abs(got-p[1]) < 1e-12) {
				t.Errorf("%s: code %v is light %v, want %v", row.what, p[0], got, p[1])
			}
			if got := c.FromLinear(p[1]); !(math.Abs(got-p[0]) < 1e-12) {
				t.Errorf("%s: light %v is code %v, want %v", row.what, p[1], got, p[0])
			}
		}
	}
}

func TestReadCurveErrors(t *testing.T) {
	for _, row := range []struct{ what, text, want string }{
		{"empty", "", "a curve needs 2 rows of values at least, and there are 0"},
		{"one row", "code,linear\n0,0\n", "a curve needs 2 rows of values at least, and there are 1"},
		{"code repeated", "0,0\n1,1\n1,2\n", "line 3: the code value 1 does not exceed 1 of line 2"},
		{"light falling", "0,0\n1,1\n2,0.5\n", "line 3: the linear light 0.5 does not exceed 1 of line 2"},
		{"a word", "0,0\n1,one\n", `line 2: the linear light is "one", and must be a finite number`},
		{"a second heading", "code,linear\ncode,linear\n0,0\n1,1\n", `line 2: the code value is "code", and must be a finite number`},
		{"not a number", "0,0\nNaN,1\n", `line 2: the code value is "NaN", and must be a finite number`},
		{"infinite", "0,0\n1,Inf\n", `line 2: the linear light is "Inf", and must be a finite number`},
		{"beyond float32", "0,0\n1,1e39\n", `line 2: the linear light is "1e39", and must be a finite number`},
		{"three columns", "0,0,0\n1,1,1\n", `line 1: "0,0,0", and there must be two values`},
		{"no comma", "0 0\n1 1\n", `line 1: "0 0", and there must be two values`},
		{"beyond 16 bits", "0,0\n70000,1\n", "line 2: the code value 70000 exceeds 65535"},
		{"bad full scale", "# full_scale: -1\n0,0\n1,1\n", `line 1: full_scale is "-1", and must be a number above 0`},
		{"too steep", "0,0\n1e-30,1e5\n", "line 2: the slope from line 1 is 1e+35"},
		{"a long line", strings.Repeat("0", 1<<17), "line 1: longer than 65536 bytes"},
		{"too many rows", manyRows(1<<20 + 1), "line 1048577: more than 1048576 rows"},
	} {
		path := writeFile(t, "bad.csv", row.text)
		_, err := plate.ReadCurve(path)
		var file *plate.FileError
		if !errors.As(err, &file) || file.Path != path || !strings.HasPrefix(err.Error(), path+": "+row.want) {
			t.Errorf("%s: %v\nwant %s", row.what, err, row.want)
		}
	}
	if _, err := plate.ReadCurve("nowhere.csv"); !errors.Is(err, fs.ErrNotExist) || !strings.HasPrefix(err.Error(), "nowhere.csv: ") {
		t.Errorf("a missing file: %v", err)
	}
}

func manyRows(n int) string {
	var b strings.Builder
	for i := range n {
		fmt.Fprintf(&b, "%d,%d\n", i, i)
	}
	return b.String()
}

func TestFindCurve(t *testing.T) {
	path := writeFile(t, "a.CSV", "0,0\n1,2\n")
	if c, err := plate.FindCurve(path); err != nil || c.ToLinear(1) != 2 {
		t.Errorf("a file: %v, %v", c.ToLinear(1), err)
	}
	if c, err := plate.FindCurve("HLG"); err != nil || c != plate.HLG {
		t.Errorf("a name: %v, %v", c.Name(), err)
	}
	if _, err := plate.FindCurve("hgl"); err == nil || !strings.Contains(err.Error(), `did you mean "hlg"?`) {
		t.Errorf("a wrong name: %v", err)
	}
}

func FuzzReadCurve(f *testing.F) {
	for _, text := range []string{
		"", "0,0\n1,1\n", "code,linear\n0,0\n255,1\n", "# full_scale: 1023\n64,0\n940,1 # white\n", "\ufeff0,-1\r\n1,1\r\n",
		"0,0\n1,NaN\n", "0,0\n0,0\n", "0,0\n1e-30,1e5\n", "-1e38,-1e38\n1e38,1e38", "1,1\n2,2\n3,3,3\n",
	} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		path := writeFile(t, "fuzz.csv", text)
		c, err := plate.ReadCurve(path)
		if err != nil {
			if !strings.HasPrefix(err.Error(), path+": ") {
				t.Fatalf("the error does not name the file: %v", err)
			}
			return
		}
		last := math.Inf(-1)
		for i := range 257 {
			l := c.ToLinear(float64(i) / 256)
			if !(l >= last) {
				t.Fatalf("light %v follows %v at code %d/256", l, last, i)
			}
			last = l
		}
		e := plate.NewEncoder(c, 8)
		for i, before := -1000, uint16(0); i <= 1000; i++ {
			code := e.Code(float32(i) / 300)
			if code < before {
				t.Fatalf("code %d follows %d at light %v", code, before, float32(i)/300)
			}
			before = code
		}
	})
}
