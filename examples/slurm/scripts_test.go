//go:build !js

package slurm

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"example.com/twinplate/internal/test/outside"
)

// The scripts call comp with the part that Slurm's index stands for. prove.sh does it on a real
// Slurm: make slurm.
func TestScripts(t *testing.T) {
	bash := outside.Program(t, "bash")
	for _, script := range []string{"estimate.sbatch", "comp.sbatch", "submit.sh", "prove.sh"} {
		if out, err := exec.Command(bash, "-n", script).CombinedOutput(); err != nil {
			t.Errorf("%s: %v: %s", script, err, out)
		}
	}
	echo := filepath.Join(t.TempDir(), "twinplate")
	if err := os.WriteFile(echo, []byte("#!/bin/sh\nfor a; do printf '[%s]' \"$a\"; done\n"), 0o777); err != nil {
		t.Fatal(err)
	}
	task := func(id, most, count string, more ...string) []string {
		return append([]string{"RECIPE=a take.json", "OUT=out", "SLURM_CPUS_PER_TASK=2", "SLURM_ARRAY_TASK_ID=" + id, "SLURM_ARRAY_TASK_MAX=" + most, "SLURM_ARRAY_TASK_COUNT=" + count}, more...)
	}
	for _, test := range []struct {
		name string
		env  []string
		args []string
		want string
	}{
		{"the first of 16", task("0", "15", "16"), []string{"comp.sbatch"}, "[comp][--recipe][a take.json][--out][out][--shard][0/16][--jobs][2]"},
		{"the last, with a flag", task("15", "15", "16"), []string{"comp.sbatch", "--frames=1-9"}, "[--shard][15/16][--jobs][2][--frames=1-9]"},
		{"two of 16 again", task("7", "7", "2", "PARTS=16"), []string{"comp.sbatch"}, "[--shard][7/16]"},
		{"two of 16 without saying so", task("3", "7", "2"), []string{"comp.sbatch"}, "task 7 of 2 parts: number the array from 0"},
		{"an array from 1", task("1", "4", "4"), []string{"comp.sbatch"}, "number the array from 0"},
		{"no recipe", []string{"OUT=out"}, []string{"comp.sbatch"}, "the recipe that all parts share"},
		{"the estimates", []string{"RECIPE=t.json"}, []string{"estimate.sbatch", "--color", "a b", "--band", "c"}, "[comp][--color][a b][--band][c][--save-recipe][t.json]"},
	} {
		cmd := exec.Command(bash, test.args...)
		cmd.Env = append(test.env, "TWINPLATE="+echo, "PATH="+os.Getenv("PATH"))
		out, err := cmd.CombinedOutput()
		if refused := !strings.HasPrefix(test.want, "["); !strings.Contains(string(out), test.want) || (err != nil) != refused {
			t.Errorf("%s: %v, %s; want %s", test.name, err, out, test.want)
		}
	}
}
