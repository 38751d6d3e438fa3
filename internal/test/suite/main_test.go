package main

import (
	"strings"
	"testing"
)

// lines makes what go test -json prints of a package's tests, each with an end and what it said
// before.
func lines(ends ...[3]string) string {
	var b strings.Builder
	for _, e := range ends {
		if e[2] != "" {
			b.WriteString(`{"Action":"output","Package":"p","Test":"` + e[0] + `","Output":"    p_test.go:7: ` + e[2] + `\n"}` + "\n")
		}
		b.WriteString(`{"Action":"` + e[1] + `","Package":"p","Test":"` + e[0] + `","Elapsed":1.5}` + "\n")
	}
	return b.String() + `{"Action":"output","Package":"p","Output":"ok  \tp\t1.5s\n"}` + "\n" + `{"Action":"pass","Package":"p","Elapsed":1.5}` + "\n"
}

// A skip counts as done only where the test belongs to a command that runs more, and nothing at all
// is no success.
func TestRead(t *testing.T) {
	longer, anyLonger := []string{"make test-all"}, []string{"make test", "make test-all"}
	pass := [3]string{"TestA", "pass", ""}
	for _, row := range []struct {
		name           string
		in             string
		lax            bool
		commands       []string
		filtered       bool
		passed, failed int
		wrong          string // a part of the one that there must be
	}{
		{"sound", lines(pass, [3]string{"TestA/b", "pass", "a word"}), false, longer, false, 2, 0, ""},
		{"a failure", lines(pass, [3]string{"TestB", "fail", "bad"}), false, longer, false, 1, 1, ""},
		{"of a longer command", lines(pass, [3]string{"TestB", "skip", "belongs to make test-all"}), false, longer, false, 1, 0, ""},
		{"of this command", lines(pass, [3]string{"TestB", "skip", "belongs to make test"}), false, longer, false, 1, 0, "TestB was skipped"},
		{"of make test, under -short", lines(pass, [3]string{"TestB", "skip", "belongs to make test"}), false, anyLonger, false, 1, 0, ""},
		{"of the longest, in it", lines(pass, [3]string{"TestB", "skip", "belongs to make test-all"}), false, nil, false, 1, 0, "TestB was skipped"},
		{"a skip for a missing program", lines(pass, [3]string{"TestB", "skip", "no program called x"}), false, longer, false, 1, 0, "no program called x"},
		{"the same, outside make test", lines(pass, [3]string{"TestB", "skip", "no program called x"}), true, longer, false, 1, 0, ""},
		{"a skip that quotes another's reason", lines(pass, [3]string{"TestB", "skip", "not what belongs to make test-all"}), false, longer, false, 1, 0, "TestB was skipped"},
		{"no tests", lines(), true, longer, false, 0, 0, "no test ran"},
		{"nothing", "", true, longer, false, 0, 0, "no test ran"},
		{"all skipped", lines([3]string{"TestB", "skip", "belongs to make test-all"}), false, longer, false, 0, 0, "no test ran"},
		{"none of a name", lines(pass) + `{"Action":"output","Package":"q","Output":"ok  \tq\t0.1s [no tests to run]\n"}` + "\n", false, longer, true, 1, 0, "q: no test ran"},
		{"a line that is no JSON", "go: downloading\n" + lines(pass), false, longer, false, 1, 0, ""},
	} {
		var shown strings.Builder
		got, err := read(strings.NewReader(row.in), &shown, !row.lax, row.commands, row.filtered)
		if err != nil {
			t.Fatal(err)
		}
		if wrong := strings.Join(got.Wrong, "; "); got.Passed != row.passed || got.Failed != row.failed || len(got.Wrong) > 1 || (wrong != "") != (row.wrong != "") || !strings.Contains(wrong, row.wrong) {
			t.Errorf("%s: %+v, want %d passed, %d failed, and %q", row.name, got, row.passed, row.failed, row.wrong)
		}
		if row.failed > 0 && !strings.Contains(shown.String(), "bad") {
			t.Errorf("%s: what the failed test said is not shown: %q", row.name, shown.String())
		}
	}
}

// The program runs under each of the commands.
func TestTests(t *testing.T) {
	for _, command := range []string{"", "test", "all"} {
		t.Setenv("TWINPLATE_TESTS", command)
		t.Setenv(reports, "")
		if err := tests([]string{"-run=^TestRead$", "example.com/twinplate/internal/test/suite"}); err != nil {
			t.Errorf("TWINPLATE_TESTS=%s: %v", command, err)
		}
		if err := tests([]string{"-run=^TestOfNoSuchName$", "example.com/twinplate/internal/test/suite"}); err == nil {
			t.Errorf("TWINPLATE_TESTS=%s: that no test ran is no error", command)
		}
	}
}
