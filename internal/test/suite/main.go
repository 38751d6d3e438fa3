// Command suite runs the parts of make check, make test and make test-all and tells what each took.
//
//	suite PART...        runs make PART for each, and goes on after one that fails
//	suite test ARG...    runs go test ARG..., as a part does, with the variables that NAME=VALUE sets before the others
//
// The second form fails where go test does, and where no test ran; under make test and make
// test-all also where a test was skipped for any reason but that it belongs to a longer command.
// The first ends with the real time and the processor time (user and system, with all that the part
// started) of each part, the slowest tests, and a line of how many tests passed and failed.
package main

import (
	"bufio"
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"slices"
	"strings"
	"time"

	"example.com/twinplate/internal/test/tier"
)

// reports names the file to which each "suite test" adds the JSON of its tally, for the run that
// started it.
const reports = "TWINPLATE_TESTS_REPORTS"

// slowest is how many of the slowest tests are listed: enough to see where the time went, few
// enough to read.
const slowest = 15

func main() {
	args := os.Args[1:]
	if len(args) == 0 {
		fmt.Fprintln(os.Stderr, "usage: suite PART... | suite test [NAME=VALUE...] ARG...")
		os.Exit(2)
	}
	run := parts
	if args[0] == "test" {
		run, args = tests, args[1:]
	}
	if err := run(args); err != nil {
		fmt.Fprintln(os.Stderr, "suite:", err)
		os.Exit(1)
	}
}

// A timed test is one that was not begun by another.
type timed struct {
	Name    string
	Seconds float64
}

// A tally is what a run of go test came to.
type tally struct {
	Passed, Failed, Later int      // tests and their subtests; Later belong to a longer command
	Wrong                 []string // what go test takes for a success and this does not
	Slow                  []timed
}

// event is a line of go test -json: see go doc test2json, and go help buildjson for ImportPath.
type event struct {
	Action, Package, ImportPath, Test, Output string
	Elapsed                                   float64
}

// read reads what go test -json prints and writes to w what one wants to see of it: the line of
// each package, what was built wrongly, and the output of tests that failed. Where strict is set, a
// skipped test must say that it belongs to one of the commands; filtered says that -run chose the
// tests, so that a package in which none ran is wrong.
func read(in io.Reader, w io.Writer, strict bool, commands []string, filtered bool) (tally, error) {
	var all tally
	said := map[[2]string]string{}
	lines := bufio.NewReader(in)
	for {
		line, err := lines.ReadString('\n')
		if err != nil && !errors.Is(err, io.EOF) {
			return all, err
		}
		if line == "" {
			break
		}
		var e event
		if json.Unmarshal([]byte(line), &e) != nil {
			fmt.Fprint(w, line) // of the go command itself
			continue
		}
		key, name := [2]string{e.Package, e.Test}, strings.TrimSpace(e.Package+" "+e.Test)
		switch {
		case e.Action == "build-output":
			fmt.Fprint(w, e.Output)
		case e.Action == "output" && e.Test == "":
			if e.Output != "PASS\n" {
				fmt.Fprint(w, e.Output)
			}
			if filtered && strings.Contains(e.Output, "[no tests to run]") {
				all.Wrong = append(all.Wrong, e.Package+": no test ran")
			}
		case e.Action == "output":
			said[key] += e.Output
		case e.Test == "": // the package's end, whose line was printed
		case e.Action == "pass":
			all.Passed++
		case e.Action == "fail":
			all.Failed++
			fmt.Fprint(w, said[key])
		case e.Action == "skip":
			all.Later++
			if strict && !slices.ContainsFunc(commands, func(c string) bool { return strings.Contains(said[key], ": "+tier.Belongs+c+"\n") }) {
				all.Wrong = append(all.Wrong, fmt.Sprintf("%s was skipped: %s", name, strings.TrimSpace(said[key])))
			}
		}
		if (e.Action == "pass" || e.Action == "fail") && e.Test != "" {
			delete(said, key)
			if !strings.Contains(e.Test, "/") {
				all.Slow = append(all.Slow, timed{name, e.Elapsed})
			}
		}
	}
	if all.Passed+all.Failed == 0 {
		all.Wrong = append(all.Wrong, "no test ran")
	}
	return all, nil
}

// tests runs go test with the arguments.
func tests(args []string) error {
	commands := []string{"make test-all"}
	if tier.Longest() {
		commands = nil
	}
	filtered := false
	for _, a := range args {
		if a == "-short" {
			commands = []string{"make test", "make test-all"}
		}
		filtered = filtered || strings.HasPrefix(a, "-run")
	}
	var set []string
	for len(args) > 0 && !strings.HasPrefix(args[0], "-") && strings.Contains(args[0], "=") {
		set, args = append(set, args[0]), args[1:]
	}
	name := "go"
	if v := os.Getenv("GO"); v != "" {
		name = v
	}
	cmd := exec.Command(name, append([]string{"test", "-json", "-vet=off"}, args...)...) // make lint vets, once
	cmd.Env, cmd.Stderr = append(os.Environ(), set...), os.Stderr
	out, err := cmd.StdoutPipe()
	if err != nil {
		return err
	}
	if err := cmd.Start(); err != nil {
		return err
	}
	all, err := read(out, os.Stdout, tier.Strict(), commands, filtered)
	ended := cmd.Wait()
	if err != nil {
		return err
	}
	for _, text := range all.Wrong {
		fmt.Println("FAIL", text)
	}
	all.Failed += len(all.Wrong)
	if ended != nil && all.Failed == 0 {
		all.Failed++ // it did not come to a test
	}
	fmt.Printf("%d passed, %d failed, %d belong to a longer command\n", all.Passed, all.Failed, all.Later)
	if path := os.Getenv(reports); path != "" {
		f, err := os.OpenFile(path, os.O_APPEND|os.O_WRONLY, 0)
		if err != nil {
			return err
		}
		if err := errors.Join(json.NewEncoder(f).Encode(all), f.Close()); err != nil {
			return err
		}
	}
	if ended != nil {
		return ended
	}
	if len(all.Wrong) > 0 {
		return errors.New("tests that did not run: see above")
	}
	return nil
}

// parts runs make for each name.
func parts(names []string) error {
	file, err := os.CreateTemp("", "twinplate-tests-*.json")
	if err != nil {
		return err
	}
	defer os.Remove(file.Name())
	defer file.Close()
	var table strings.Builder
	fmt.Fprintf(&table, "\n%-12s %8s %10s\n", "part", "seconds", "processor")
	var passed, failed int
	var slow []timed
	var wrong []string
	var took, used time.Duration
	reader := json.NewDecoder(file)
	for _, name := range names {
		fmt.Printf("\n== make %s\n", name)
		cmd := exec.Command("make", "--no-print-directory", name)
		cmd.Stdout, cmd.Stderr = os.Stdout, os.Stderr
		cmd.Env = append(os.Environ(), reports+"="+file.Name())
		start := time.Now()
		ended := cmd.Run()
		elapsed, processor := time.Since(start), time.Duration(0)
		if s := cmd.ProcessState; s != nil {
			processor = s.UserTime() + s.SystemTime()
		}
		took, used = took+elapsed, used+processor
		told := failed
		for reader.More() {
			var t tally
			if err := reader.Decode(&t); err != nil {
				return err
			}
			passed, failed, slow = passed+t.Passed, failed+t.Failed, append(slow, t.Slow...)
		}
		mark := ""
		if ended != nil {
			mark = "  FAIL"
			wrong = append(wrong, name)
			if failed == told {
				failed++ // what failed is no test
			}
		}
		fmt.Fprintf(&table, "%-12s %8.1f %10.1f%s\n", name, elapsed.Seconds(), processor.Seconds(), mark)
	}
	fmt.Fprintf(&table, "%-12s %8.1f %10.1f\n", "all", took.Seconds(), used.Seconds())
	fmt.Print(table.String())
	slices.SortFunc(slow, func(a, b timed) int { return cmp.Compare(b.Seconds, a.Seconds) })
	fmt.Println("\nthe slowest tests, in seconds:")
	for _, t := range slow[:min(len(slow), slowest)] {
		fmt.Printf("%8.1f  %s\n", t.Seconds, t.Name)
	}
	fmt.Printf("\n%d passed, %d failed\n", passed, failed)
	if len(wrong) > 0 {
		return fmt.Errorf("failed: %s", strings.Join(wrong, ", "))
	}
	return nil
}
