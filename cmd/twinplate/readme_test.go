package main

import (
	"bufio"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/alecthomas/kong"

	"example.com/twinplate/internal/test/outside"
	"example.com/twinplate/internal/test/tier"
	"example.com/twinplate/plate"
)

// pasted are the command lines of README and of the commands' help, as somebody pastes them.
func pasted(t *testing.T) (lines []string) {
	t.Helper()
	add := func(line string) {
		line, _, _ = strings.Cut(line, "    #")
		lines = append(lines, strings.TrimSpace(line))
	}
	file, err := os.Open("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	code := regexp.MustCompile("^    (twinplate|go|make) ")
	begun := ""
	for s := bufio.NewScanner(file); s.Scan(); {
		line := s.Text()
		if begun == "" && !code.MatchString(line) {
			continue
		}
		begun += " " + strings.TrimSpace(strings.TrimSuffix(line, `\`))
		if !strings.HasSuffix(line, `\`) {
			add(begun)
			begun = ""
		}
	}
	for _, command := range []interface{ Help() string }{demo{}, plan{}, curves{}, check{}, dayCommand{}, register{}, sheet{}, comp{}, datasetCommand{}, proofCommand{}, compare{}} {
		for line := range strings.Lines(command.Help()) {
			if strings.HasPrefix(line, "  twinplate ") {
				add(line)
			}
		}
	}
	return lines
}

// words splits a command line as a shell does, without what it writes to a file.
func words(line string) []string {
	line, _, _ = strings.Cut(line, " > ")
	var all []string
	for _, m := range regexp.MustCompile(`'([^']*)'|(\S+)`).FindAllStringSubmatch(line, -1) {
		all = append(all, m[1]+m[2])
	}
	return all
}

// Every command that README and the help have is one that can be given.
func TestPastedCommandsAreRight(t *testing.T) {
	lines := pasted(t)
	if len(lines) < 30 {
		t.Errorf("only %d command lines are found: %q", len(lines), lines)
	}
	makefile, err := os.ReadFile("../../Makefile")
	if err != nil {
		t.Fatal(err)
	}
	for _, line := range lines {
		args := words(line)
		switch args[0] {
		case "twinplate":
			var cli commands
			parser, err := kong.New(&cli, kong.Name("twinplate"), kong.Vars{"version": "test"})
			if err == nil {
				_, err = parser.Parse(args[1:])
			}
			if err != nil {
				t.Errorf("%s: %v", line, err)
			}
		case "make":
			if !strings.Contains(string(makefile), "\n"+args[1]+":") {
				t.Errorf("%s: there is no such target", line)
			}
		case "go":
			for _, a := range args[1:] {
				if strings.HasPrefix(a, "./") {
					if _, err := os.Stat(filepath.Join("../..", a)); err != nil {
						t.Errorf("%s: %v", line, err)
					}
				}
				if strings.Contains(a, "@latest") {
					t.Errorf("%s: no registry has the module", line)
				}
			}
		}
	}
}

// The commands do what they say, in a folder that has the files that they name. Takes are small
// there, and what draws takes of its own gets flags that make these small too.
func TestPastedCommandsRun(t *testing.T) {
	tier.InTestAll(t)
	outside.Program(t, "ffmpeg")
	dir := t.TempDir()
	lines := pasted(t)
	smallTake(t, dir, 10)
	demo := filepath.Join(dir, "demo")
	work := filepath.Join(dir, "work")
	copied := func(from, to string) {
		t.Helper()
		if err := os.CopyFS(filepath.Join(work, to), os.DirFS(filepath.Join(demo, from))); err != nil {
			t.Fatal(err)
		}
	}
	one := func(from, to string) {
		t.Helper()
		f, err := plate.ReadRGB(filepath.Join(demo, from), plate.SRGB, nil)
		if err == nil {
			err = os.MkdirAll(filepath.Dir(filepath.Join(work, to)), 0o777)
		}
		if err == nil {
			err = plate.Write(filepath.Join(work, to), f, &plate.WriteOptions{Curve: plate.SRGB})
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	for from, all := range map[string][]string{
		"color": {"color", "A003", "take3/color", "day1/color"}, "band": {"band", "B003", "take3/band", "day1/band"}, "background": {"sea", "stills"},
	} {
		for _, to := range all {
			copied(from, to)
		}
	}
	for _, name := range []string{"clean_band", "clean_color", "dark_band", "dark_color"} {
		one(name+".png", name+".png")
		one(name+".png", "take3/"+name+".png")
	}
	one("background/0001.png", "sea.png")
	one("clean_band.png", "clean.tif")
	one("clean_band.png", "clean.png")
	one("dark_band.png", "dark.png")
	for n := 1; n <= 10; n++ {
		number := string("0123456789X"[n%10])
		one("color/00"+map[bool]string{true: "10", false: "0" + number}[n == 10]+".png", "a_"+number+".png")
		one("band/00"+map[bool]string{true: "10", false: "0" + number}[n == 10]+".png", "b_"+number+".tif")
	}
	t.Chdir(work)
	for _, clip := range []string{"a=color", "b=band", "sea=sea"} {
		name, from, _ := strings.Cut(clip, "=")
		if out, err := exec.Command("ffmpeg", "-v", "error", "-framerate", "24", "-i", from+"/%04d.png", "-c:v", "prores_ks", "-pix_fmt", "yuv444p10le", name+".mov").CombinedOutput(); err != nil {
			t.Fatalf("%v: %s", err, out)
		}
	}
	// What other lines than those that need it make.
	for _, line := range []string{"plan --example > rig.json", "match --rig rig.json --out match.json"} {
		args, to, _ := strings.Cut(line, " > ")
		code, text, errs := twinplate(t, strings.Fields(args)...)
		if code != exitDone {
			t.Fatalf("%s: exit code %d, %s", line, code, errs)
		}
		if to != "" {
			if err := os.WriteFile(to, []byte(text), 0o666); err != nil {
				t.Fatal(err)
			}
		}
	}
	// What stands for the files and the lengths of a real shoot.
	less := map[string][]string{
		"demo":  {"--frames", "2", "--size", "320x180"},
		"proof": {"--takes", "1", "--frames", "4"},
	}
	skipped := map[string]string{
		"register --chart": "no camera has taken the chart: TestChartThenRegister does that",
		"--footage":        "draws with Python and OpenCV: the proof's own tests do that",
		"--registration":   "takes minutes: TestRegistrationProof does that",
		"take7":            "wants takes of the names that it gives: TestDataset has such",
		"take3.json":       "wants three takes: TestDataset has such",
		"day1/take.json":   "wants a recipe of the day before",
		"frames 40-60":     "the take here has ten frames",
		"frames 1-48":      "the take here has ten frames",
		"twinplate day":    "wants two cards: TestDay has such",
		"day/day.json":     "wants two cards: TestDay has such",
		"0/16":             "the take here has fewer frames than parts",
	}
	for _, line := range lines {
		args := words(line)
		if args[0] != "twinplate" {
			continue
		}
		why := ""
		for part, reason := range skipped {
			if strings.Contains(line, part) {
				why = reason
			}
		}
		if why != "" {
			t.Logf("not run: %s: %s", line, why)
			continue
		}
		args = slices.Concat(args[1:], less[args[1]])
		if i := slices.Index(args, "--offset"); i > 0 && args[i+1] == "auto" {
			args[i+1] = "none" // the motion of ten frames tells none
		}
		if args[0] == "compare" {
			args = []string{"compare", "demo/truth/alpha/0002.png", "demo/matte/0002.png"}
		}
		out := args
		if i := slices.Index(args, "out"); i > 0 && args[i-1] == "--out" && !strings.Contains(line, "--recipe") {
			out = slices.Clone(args)
			out[i] = t.TempDir() // each of these is the first run of another take
		}
		code, text, errs := twinplate(t, out...)
		if code != exitDone {
			t.Errorf("%s: exit code %d, %s", line, code, errs)
		}
		if _, to, ok := strings.Cut(line, " > "); ok {
			if err := os.WriteFile(strings.TrimSpace(to), []byte(text), 0o666); err != nil {
				t.Fatal(err)
			}
		}
	}
}
