// Command twinplate makes finished composites from takes shot with two cameras before a screen of
// sodium light. `twinplate --help` lists what it does.
package main

import (
	"context"
	_ "embed"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"reflect"
	"runtime/debug"
	"strings"
	"syscall"
	"time"

	"github.com/alecthomas/kong"

	"example.com/twinplate/internal/kernel"
	"example.com/twinplate/internal/objects"
)

// The exit codes, as the help lists them.
const (
	exitDone      = 0
	exitFailed    = 1
	exitUsage     = 2
	exitSomeFrame = 3
	exitStopped   = 130
)

const description = `From two plates of one performer before a screen of sodium light, a color plate and a band plate, make the
matte, the foreground and the finished composite.

Begin with: twinplate demo --out demo

Exit codes: 0 done; 1 the job could not be done; 2 the command line is wrong; 3 some frames failed and the
others are done; 130 interrupted.`

// commands is the command line's grammar.
type commands struct {
	Demo     demo             `cmd:"" help:"Draw a take of known truth, run the whole job on it, and measure the errors."`
	Comp     comp             `cmd:"" help:"Make composites, mattes and foregrounds from a take: the main job."`
	Day      dayCommand       `cmd:"" help:"Read two cards of clips: pair them, find the geometry and the clean plates, and make each take a recipe, for comp to do them all."`
	Plan     plan             `cmd:"" help:"Plan the shoot: whether this rig, with these lamps and filters, will give a matte, and what to change."`
	Check    check            `cmd:"" help:"Read a test shot as a crew would, before the set is struck: what is wrong, and what to do."`
	Proof    proofCommand     `cmd:"" help:"Measure the whole job on simulated takes with random faults, against the noise floor."`
	Register register         `cmd:"" help:"Estimate the geometry between the two cameras alone."`
	Match    match            `cmd:"" help:"Find the matrix that gives back the color which the filter before the color camera takes."`
	Chart    sheet            `cmd:"" help:"Write the sheet to print for register's --chart-color and --chart-band."`
	Curves   curves           `cmd:"" help:"List the transfer curves and cameras that are known, each with its codes of black, gray and white."`
	Dataset  datasetCommand   `cmd:"" help:"Write a training set from takes: plates, foreground, alpha, noise and composites, with a manifest."`
	Compare  compare          `cmd:"" help:"Measure a matte against the truth."`
	Version  kong.VersionFlag `help:"Print the version and leave."`
	Licenses licensesFlag     `help:"Print the licenses of what is built in and leave."`
}

// A terminal is where a command prints, and what may stop it.
type terminal struct {
	ctx    context.Context
	stdout io.Writer
	stderr io.Writer
	json   bool // --json: progress is JSON too
}

func main() {
	// What a frame leaves behind is large and has no pointers in it, so collecting it often costs
	// little, and keeps the most memory that is used small, and the same for long takes as for
	// short ones. GOGC overrides this.
	if os.Getenv("GOGC") == "" {
		debug.SetGCPercent(25)
	}
	ctx, stop := interruptible(os.Stderr)
	code := run(ctx, os.Args[1:], os.Stdout, os.Stderr)
	stop()
	os.Exit(code)
}

// stopWithin is the time that an interrupted command has to end by itself.
const stopWithin = 800 * time.Millisecond

const interrupted = "twinplate: interrupted; the frames written so far are whole, and the same command goes on from there"

// interruptible returns a context that ends at Ctrl-C or SIGTERM. What does not end by itself
// within a second, such as a picture that is being decoded, is left: every file has its name only
// when it is whole. A second signal ends the program at once.
func interruptible(stderr io.Writer) (context.Context, func()) {
	ctx, cancel := context.WithCancel(context.Background())
	signals := make(chan os.Signal, 2)
	signal.Notify(signals, os.Interrupt, syscall.SIGTERM)
	over := make(chan struct{})
	go func() {
		select {
		case <-signals:
		case <-over:
			return
		}
		cancel()
		select {
		case <-signals:
		case <-time.After(stopWithin):
		case <-over:
			return
		}
		fmt.Fprintln(stderr, interrupted)
		os.Exit(exitStopped)
	}()
	return ctx, func() {
		signal.Stop(signals)
		close(over)
		cancel()
	}
}

// errSomeFrames says that the run is over and that frames are missing from it.
var errSomeFrames = errors.New("some frames failed")

// run is the whole program: it returns the exit code.
func run(ctx context.Context, args []string, stdout, stderr io.Writer) (code int) {
	type leave int
	defer func() {
		// Kong leaves by its Exit hook after --help and --version.
		if r := recover(); r != nil {
			c, ok := r.(leave)
			if !ok {
				panic(r)
			}
			code = int(c)
		}
	}()
	var cli commands
	parser, err := kong.New(&cli,
		kong.Name("twinplate"), kong.Description(description),
		kong.Vars{"version": version() + "\nkernels: " + kernel.Vectors()},
		kong.Writers(stdout, stderr),
		kong.Exit(func(c int) { panic(leave(c)) }),
		kong.ConfigureHelp(kong.HelpOptions{WrapUpperBound: 110}),
	)
	if err != nil {
		panic(err) // the grammar above is wrong
	}
	if len(args) == 0 {
		args = []string{"--help"}
	}
	call, err := parser.Parse(args)
	if err != nil {
		fmt.Fprintf(stderr, "twinplate: %s\n", printable(err.Error()))
		fmt.Fprintln(stderr, "See: twinplate --help, or twinplate COMMAND --help")
		return exitUsage
	}
	t := &terminal{ctx: ctx, stdout: stdout, stderr: stderr}
	for _, f := range call.Flags() {
		if f.Name == "json" && f.Target.Kind() == reflect.Bool {
			t.json = f.Target.Bool()
		}
	}
	err = call.Run(t)
	switch {
	case err == nil:
		return exitDone
	case errors.Is(err, context.Canceled):
		fmt.Fprintln(stderr, interrupted)
		return exitStopped
	}
	t.warnf("%v", err)
	var usage usageError
	switch {
	case errors.Is(err, errSomeFrames):
		return exitSomeFrame
	case errors.As(err, &usage):
		return exitUsage
	}
	return exitFailed
}

// A usageError is one that another command line would mend.
type usageError struct{ error }

// released is the version of a release: the linker sets it (tools/release.sh).
var released string

// version returns that of the release, or what Go knows of the module.
func version() string {
	if released != "" {
		return released
	}
	if info, ok := debug.ReadBuildInfo(); ok && info.Main.Version != "" {
		return info.Main.Version
	}
	return "(devel)"
}

// licenses has the notices of all that is built in. A release puts those of its modules in the
// file's place.
//
//go:embed licenses.txt
var licenses string

type licensesFlag bool

// BeforeReset prints the licenses and leaves, as --version does.
func (licensesFlag) BeforeReset(app *kong.Kong) error {
	fmt.Fprint(app.Stdout, licenses)
	app.Exit(exitDone)
	return nil
}

// object prints one JSON object.
func (t *terminal) object(v any) error {
	e := json.NewEncoder(t.stdout)
	e.SetIndent("", "  ")
	return e.Encode(v)
}

// list prints lines under a heading each.
func (t *terminal) list(heading string, lines []string) {
	for _, line := range lines {
		t.printf("%-12s %s\n", heading, line)
	}
}

// writeObject writes one JSON object to a file, whole or not at all.
func writeObject(path string, v any) error { return objects.Save(path, v, nil) }

// examples puts command lines under a heading, as the commands' help has them.
func examples(lines ...string) string {
	return "Examples:\n\n  " + strings.Join(lines, "\n  ")
}
