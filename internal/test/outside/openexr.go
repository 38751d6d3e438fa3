//go:build !js

package outside

import (
	"errors"
	"os/exec"
	"strings"
	"testing"
)

// EXRInfo fails the test unless OpenEXR's exrinfo, which checks a head by its strict rules, lists
// each of the wanted lines for a file, however far indented. Of a file that breaks a rule it prints
// nothing. Its exit status counts for nothing: Debian 12's (openexr 3.1.5) is 1 at random on sound
// files. It does not read pixels.
func EXRInfo(t testing.TB, path string, want ...string) {
	t.Helper()
	out, err := exec.Command(Program(t, "exrinfo"), "-s", path).CombinedOutput()
	if exit := (*exec.ExitError)(nil); err != nil && !(errors.As(err, &exit) && exit.Exited()) {
		t.Errorf("exrinfo on %s: %v", path, err)
		return
	}
	if len(want) == 0 {
		t.Errorf("exrinfo on %s: no lines are wanted, so nothing is checked", path)
	}
	lines := map[string]bool{}
	for line := range strings.Lines(string(out)) {
		lines[strings.TrimSpace(line)] = true
	}
	for _, line := range want {
		if !lines[line] {
			t.Errorf("exrinfo does not list %q for %s:\n%s", line, path, out)
		}
	}
}
