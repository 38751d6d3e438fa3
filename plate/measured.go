package plate

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"sort"
	"strconv"
	"strings"
)

// maxRows bounds the rows of a measured curve, maxCurveBytes the bytes of its file.
const (
	maxRows       = 1 << 20
	maxCurveBytes = 1 << 26
)

// ReadCurve reads a measured curve from a file of comma-separated values: in each row a code value
// and the linear light it stands for. Both columns must increase strictly. Between the rows the
// curve is straight, and beyond them it goes on with the slope of its ends. Its name is the base
// name of the file.
//
// Code values are either 0 to 1, or integers: where the highest exceeds 1 they are divided by 255,
// 1023, 4095 or 65535, the first of these that is not below it, or by N if a comment "# full_scale:
// N" says so. The first row may be a heading; empty lines and what follows a # are left out. There
// must be 2 rows at least and 1<<20 at most. Errors are of type *FileError and name the line.
func ReadCurve(path string) (Curve, error) {
	file, err := os.Open(path)
	if err != nil {
		return Curve{}, fileError(path, err)
	}
	defer file.Close()
	c, err := parseCurve(filepath.Base(path), file)
	if err != nil {
		return Curve{}, fileError(path, err)
	}
	return c, nil
}

func parseCurve(name string, r io.Reader) (Curve, error) {
	var codes, lights []float64
	var lines []int
	fullScale := 0.0
	limited := &io.LimitedReader{R: r, N: maxCurveBytes + 1}
	s := bufio.NewScanner(limited)
	n, heading := 0, false
	for s.Scan() {
		n++
		text, comment, _ := strings.Cut(s.Text(), "#")
		if n == 1 {
			text = strings.TrimPrefix(text, "\ufeff") // the byte order mark of some spreadsheets
		}
		if key, value, ok := strings.Cut(comment, ":"); ok && strings.TrimSpace(key) == "full_scale" {
			v, err := parseNumber(value)
			if err != nil || v <= 0 {
				return Curve{}, fmt.Errorf("line %d: full_scale is %.16q, and must be a number above 0, such as 1023", n, strings.TrimSpace(value))
			}
			fullScale = v
		}
		if text = strings.TrimSpace(text); text == "" {
			continue
		}
		first, second, ok := strings.Cut(text, ",")
		if !ok || strings.Contains(second, ",") {
			return Curve{}, fmt.Errorf("line %d: %.16q, and there must be two values, the code and its linear light, with a comma between", n, text)
		}
		code, err := parseNumber(first)
		if errors.Is(err, strconv.ErrSyntax) && len(codes) == 0 && !heading {
			heading = true
			continue
		}
		if err != nil {
			return Curve{}, fmt.Errorf("line %d: the code value is %.16q, and must be a finite number", n, strings.TrimSpace(first))
		}
		light, err := parseNumber(second)
		if err != nil {
			return Curve{}, fmt.Errorf("line %d: the linear light is %.16q, and must be a finite number", n, strings.TrimSpace(second))
		}
		if len(codes) == maxRows {
			return Curve{}, fmt.Errorf("line %d: more than %d rows", n, maxRows)
		}
		codes, lights, lines = append(codes, code), append(lights, light), append(lines, n)
	}
	if err := s.Err(); errors.Is(err, bufio.ErrTooLong) {
		return Curve{}, fmt.Errorf("line %d: longer than %d bytes: this is no file of code and light values", n+1, bufio.MaxScanTokenSize)
	} else if err != nil {
		return Curve{}, err
	}
	if limited.N == 0 {
		return Curve{}, fmt.Errorf("more than %d bytes: too long for a curve", maxCurveBytes)
	}
	if len(codes) < 2 {
		return Curve{}, fmt.Errorf("a curve needs 2 rows of values at least, and there are %d", len(codes))
	}
	// Order is checked on what the file says, before any division.
	for i := 1; i < len(codes); i++ {
		for _, column := range []struct {
			what   string
			values []float64
		}{{"code value", codes}, {"linear light", lights}} {
			if !(column.values[i] > column.values[i-1]) {
				return Curve{}, fmt.Errorf("line %d: the %s %v does not exceed %v of line %d, and must: both columns increase strictly",
					lines[i], column.what, column.values[i], column.values[i-1], lines[i-1])
			}
		}
	}
	if err := toUnit(codes, fullScale); err != nil {
		return Curve{}, fmt.Errorf("line %d: %w", lines[len(lines)-1], err)
	}
	for i := 1; i < len(codes); i++ {
		if up := (lights[i] - lights[i-1]) / (codes[i] - codes[i-1]); !(up > 1e-30 && up < 1e30) {
			return Curve{}, fmt.Errorf("line %d: the slope from line %d is %v, beyond what can be computed with", lines[i], lines[i-1], up)
		}
	}
	return newCurve(name,
		func(v float64) float64 { return interpolate(codes, lights, v) },
		func(l float64) float64 { return interpolate(lights, codes, l) }), nil
}

// toUnit divides the codes by full, or by the full scale that the highest of them suggests when
// full is 0.
func toUnit(codes []float64, full float64) error {
	highest := codes[len(codes)-1]
	if full == 0 {
		full = 1
		for _, n := range []float64{255, 1023, 4095, 65535} {
			if highest > full {
				full = n
			}
		}
		if highest > full {
			return fmt.Errorf("the code value %v exceeds 65535, and a comment \"# full_scale: N\" must say what full scale is", highest)
		}
	}
	for i := range codes {
		codes[i] /= full
	}
	return nil
}

// parseNumber parses a number that a float32 can hold.
func parseNumber(s string) (float64, error) {
	v, err := strconv.ParseFloat(strings.TrimSpace(s), 64)
	if err == nil && !(math.Abs(v) <= math.MaxFloat32) {
		err = strconv.ErrRange
	}
	return v, err
}

// interpolate returns the value at x of the line through the points (xs[i], ys[i]), the outer
// segments going on beyond the ends. It counts from the nearer point, for the other may be so far
// off that x is lost in rounding.
func interpolate(xs, ys []float64, x float64) float64 {
	i := min(max(sort.SearchFloat64s(xs, x), 1), len(xs)-1)
	x0, y0, x1, y1 := xs[i-1], ys[i-1], xs[i], ys[i]
	slope := (y1 - y0) / (x1 - x0)
	if x1-x < x-x0 {
		return y1 + (x-x1)*slope
	}
	return y0 + (x-x0)*slope
}
