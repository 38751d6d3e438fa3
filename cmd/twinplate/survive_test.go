package main

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"syscall"
	"testing"
	"time"

	"example.com/twinplate/internal/test/tier"
)

// TestMain lets the test program stand for the command, so that a test can kill it.
func TestMain(m *testing.M) {
	if os.Getenv("TWINPLATE_TEST_AS_COMMAND") != "" {
		main()
	}
	code := m.Run()
	if shotDir != "" {
		os.RemoveAll(shotDir)
	}
	os.Exit(code)
}

// command returns the command as a program of its own.
func command(t *testing.T, args ...string) (*exec.Cmd, *bytes.Buffer) {
	t.Helper()
	program, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	c := exec.Command(program, args...)
	c.Env = append(os.Environ(), "TWINPLATE_TEST_AS_COMMAND=1")
	var out bytes.Buffer
	c.Stdout, c.Stderr = &out, &out
	return c, &out
}

// products returns the files in the folders of the products, hidden ones too, by their names in
// them.
func products(t *testing.T, out string) map[string][]byte {
	t.Helper()
	files := map[string][]byte{}
	for _, product := range []string{"comp", "matte"} {
		entries, err := os.ReadDir(filepath.Join(out, product))
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range entries {
			data, err := os.ReadFile(filepath.Join(out, product, e.Name()))
			if err != nil && !errors.Is(err, fs.ErrNotExist) {
				t.Fatal(err)
			}
			files[product+"/"+e.Name()] = data
		}
	}
	return files
}

// A run that is killed (SIGKILL) leaves only whole frames under their names; runs that go on make
// what an uninterrupted one makes, byte for byte. When the kill comes is random, and whatever it is
// the test holds.
func TestKilledRunsGoOn(t *testing.T) {
	tier.InTest(t)
	dir := t.TempDir()
	flags := smallTake(t, dir, 6)
	recipe := filepath.Join(dir, "take.json")
	object(t, append(flags, "--save-recipe", recipe, "--json")...)
	whole := filepath.Join(dir, "whole")
	object(t, "comp", "--recipe", recipe, "--out", whole, "--json")
	want := products(t, whole)
	if len(want) != 12 {
		t.Fatalf("the whole run has %d files", len(want))
	}
	dice := rand.New(rand.NewPCG(uint64(time.Now().UnixNano()), 0))
	rounds := 1
	if tier.All() {
		rounds = 3
	}
	for round := range rounds {
		out := filepath.Join(dir, "out", string(rune('a'+round)))
		killed := 0
		for attempt := 0; ; attempt++ {
			if attempt == 100 {
				t.Fatal("a hundred runs have not finished the take")
			}
			before := len(products(t, out))
			c, printed := command(t, "comp", "--recipe", recipe, "--out", out)
			if err := c.Start(); err != nil {
				t.Fatal(err)
			}
			ended := make(chan error, 1)
			go func() { ended <- c.Wait() }()
			// Kill it some moments after it has begun to write; every fifth attempt may run to its
			// end.
			target, delay := before+1+dice.IntN(6), time.Duration(dice.IntN(3000))*time.Microsecond
			var err error
			for running := true; running; {
				select {
				case err = <-ended:
					running = false
				case <-time.After(time.Millisecond):
					if attempt%5 != 4 && len(products(t, out)) >= target {
						time.Sleep(delay)
						c.Process.Kill()
						err = <-ended
						running = false
					}
				}
			}
			for name, data := range products(t, out) {
				if !strings.Contains(name, "/.") && !bytes.Equal(data, want[name]) {
					t.Fatalf("round %d, attempt %d: %s is not whole", round, attempt, name)
				}
			}
			if err == nil {
				break
			}
			if c.ProcessState.Exited() {
				t.Fatalf("round %d, attempt %d: %v, %s", round, attempt, err, printed)
			}
			killed++
		}
		got := products(t, out)
		for name := range got {
			if want[name] == nil {
				t.Errorf("round %d: %s is left over", round, name)
			}
		}
		if len(got) != len(want) {
			t.Errorf("round %d: %d files, want %d", round, len(got), len(want))
		}
		if _, err := os.Stat(filepath.Join(out, "set-aside")); err == nil {
			t.Errorf("round %d: a run that was killed has set files aside", round)
		}
		if again := object(t, "comp", "--recipe", recipe, "--out", out, "--json"); again["kept"] != 6.0 {
			t.Errorf("round %d: %v frames are kept in the end", round, again["kept"])
		}
		t.Logf("round %d: killed %d times", round, killed)
	}
}

// A log that is a link is not followed: what it leads to stays as it is.
func TestLogThatIsALink(t *testing.T) {
	dir := t.TempDir()
	flags := smallTake(t, dir, 2)
	out, precious := filepath.Join(dir, "out"), filepath.Join(dir, "precious.txt")
	if err := errors.Join(os.Mkdir(out, 0o777), os.WriteFile(precious, []byte("mine"), 0o666), os.Symlink(precious, filepath.Join(out, "log.jsonl"))); err != nil {
		t.Fatal(err)
	}
	code, _, errs := twinplate(t, append(flags, "--geometry", "none", "--out", out)...)
	if text, err := os.ReadFile(precious); code != exitFailed || !strings.Contains(errs, "the run's log is a link") || string(text) != "mine" {
		t.Errorf("exit code %d, %q; the file has %q, %v", code, errs, text, err)
	}
	if files := products(t, out); len(files) > 0 {
		t.Errorf("there are %d files", len(files))
	}
}

// A signal ends any command within a second, whatever it does, and so does SIGTERM.
func TestStopsWithinASecond(t *testing.T) {
	tier.InTest(t)
	if runtime.GOOS == "windows" {
		t.Skip("signals are sent otherwise there")
	}
	for _, signal := range []os.Signal{os.Interrupt, syscall.SIGTERM} {
		c, printed := command(t, "demo", "--out", filepath.Join(t.TempDir(), "demo"), "--frames", "500", "--size", "1920x1080")
		if err := c.Start(); err != nil {
			t.Fatal(err)
		}
		time.Sleep(500 * time.Millisecond) // so that it draws
		start := time.Now()
		if err := c.Process.Signal(signal); err != nil {
			t.Fatal(err)
		}
		c.Wait()
		// A second, and what a machine that does much else adds.
		if took := time.Since(start); took > 4*time.Second || c.ProcessState.ExitCode() != exitStopped || !strings.Contains(printed.String(), "interrupted") {
			t.Errorf("%v: exit code %d after %v, %q", signal, c.ProcessState.ExitCode(), took, printed)
		}
	}
}

// A disk that fills up: what is there is whole, the exit code says that frames are missing, and
// after room is made the run goes on.
func TestFullDisk(t *testing.T) {
	tier.InTestAll(t) // not everybody may mount a disk; make test has TestLogOnAFullDevice
	if runtime.GOOS != "linux" || os.Getuid() != 0 {
		tier.Missing(t, "only root on Linux can mount a small disk")
	}
	dir := t.TempDir()
	flags := smallTake(t, dir, 4)
	recipe, whole := filepath.Join(dir, "take.json"), filepath.Join(dir, "whole")
	object(t, append(flags, "--save-recipe", recipe, "--json")...)
	object(t, "comp", "--recipe", recipe, "--out", whole, "--json")
	want := products(t, whole)
	disk := filepath.Join(dir, "disk")
	if err := os.Mkdir(disk, 0o777); err != nil {
		t.Fatal(err)
	}
	// Room for one frame and part of another.
	if out, err := exec.Command("mount", "-t", "tmpfs", "-o", "size=800k", "tmpfs", disk).CombinedOutput(); err != nil {
		tier.Missing(t, fmt.Sprintf("no disk can be mounted here (%v: %s)", err, out))
	}
	t.Cleanup(func() { exec.Command("umount", disk).Run() })
	code, _, errs := twinplate(t, "comp", "--recipe", recipe, "--out", disk, "--jobs", "1")
	if code != exitFailed || !strings.Contains(errs, "no space left") || !strings.Contains(errs, "the disk is full after ") || !strings.Contains(errs, "of 4 frames, which are whole and kept") {
		t.Errorf("exit code %d, %q", code, errs)
	}
	got := products(t, disk)
	if len(got) == 0 || len(got) == len(want) {
		t.Errorf("%d of %d files are there", len(got), len(want))
	}
	for name, data := range got {
		if !bytes.Equal(data, want[name]) {
			t.Errorf("%s is not whole", name)
		}
	}
	if out, err := exec.Command("mount", "-o", "remount,size=20m", disk).CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	again := object(t, "comp", "--recipe", recipe, "--out", disk, "--json")
	if again["frames"] != 4.0 || again["kept"] == 0.0 {
		t.Errorf("with room: %v frames, %v kept", again["frames"], again["kept"])
	}
	sameFiles(t, whole, disk, "comp/0001.png", "comp/0004.png", "matte/0001.png", "matte/0004.png")
}

// An input that cannot be read fails its frame alone.
func TestFramesThatCannotBeRead(t *testing.T) {
	tier.InTest(t)
	dir := t.TempDir()
	flags := smallTake(t, dir, 4)
	recipe := filepath.Join(dir, "take.json")
	object(t, append(flags, "--save-recipe", recipe, "--json")...)
	bad := filepath.Join(dir, "demo", "band", "0003.png")
	file, err := os.ReadFile(bad)
	if err != nil {
		t.Fatal(err)
	}
	for _, test := range []struct {
		name string
		do   func() error
		want string
	}{
		{"truncated", func() error { return os.Truncate(bad, 5000) }, "truncated"},
		{"empty", func() error { return os.Truncate(bad, 0) }, "it is empty"},
		{"a folder", func() error { return errors.Join(os.Remove(bad), os.Mkdir(bad, 0o777)) }, "folder"},
		{"a link to nothing", func() error { return errors.Join(os.Remove(bad), os.Symlink(bad+".gone", bad)) }, "no such file"},
		{"of another size", func() error {
			data, err := os.ReadFile(filepath.Join(dir, "demo", "contact.png"))
			return errors.Join(err, os.Remove(bad), os.WriteFile(bad, data, 0o666))
		}, "first frame from that camera"},
	} {
		if err := test.do(); err != nil {
			t.Fatal(err)
		}
		out := filepath.Join(dir, strings.ReplaceAll(test.name, " ", "-"))
		// A pattern, for a folder is no frame among a folder's files.
		args := []string{"comp", "--recipe", recipe, "--band", filepath.Join(dir, "demo", "band", "*.png"), "--out", out}
		code, _, errs := twinplate(t, args...)
		if code != exitSomeFrame || !strings.Contains(errs, "frame 3: "+bad) || !strings.Contains(errs, test.want) || len(products(t, out)) != 6 {
			t.Errorf("%s: exit code %d, %d files, %q", test.name, code, len(products(t, out)), errs)
		}
		if code, _, errs = twinplate(t, append(args, "--stop-at-error", "--jobs", "1")...); code != exitSomeFrame || !strings.Contains(errs, "some frames failed: 1 of 4") {
			t.Errorf("%s, to stop there: exit code %d, %q", test.name, code, errs)
		}
		if err := os.WriteFile(bad+".new", file, 0o666); err != nil {
			t.Fatal(err)
		}
		if err := errors.Join(os.RemoveAll(bad), os.Rename(bad+".new", bad)); err != nil {
			t.Fatal(err)
		}
		if again := object(t, append(args, "--json")...); again["frames"] != 4.0 || again["kept"] != 3.0 {
			t.Errorf("%s, once it is mended: %v frames, %v kept", test.name, again["frames"], again["kept"])
		}
	}
}
