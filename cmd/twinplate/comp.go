package main

import (
	"cmp"
	"encoding"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"

	"example.com/twinplate/align"
	"example.com/twinplate/composite"
	"example.com/twinplate/day"
	"example.com/twinplate/internal/list"
	"example.com/twinplate/internal/target"
	"example.com/twinplate/matte"
	"example.com/twinplate/plate"
	"example.com/twinplate/take"
)

// plates are the flags that say which take, for comp and register.
type plates struct {
	Take string `arg:"" optional:"" help:"Folder of the take, whose plates are found by their names: color, band, background, clean_band, dark_color and so on; folders, pictures or clips. For comp also a day's file. Flags go before what is found." type:"path"`

	Color *string `help:"Color plate: a file, a folder, a quoted glob, or a video file, which FFmpeg reads if it is installed." placeholder:"PATH"`
	Band  *string `help:"Band plate, likewise. Frames are paired by number, or by the time code in their names with --fps." placeholder:"PATH"`

	Offset        *string  `help:"Pair color frame n with band frame n+N (--offset=-3 for one that is negative), or find N from the motion (auto). Default none: the same number or time code." placeholder:"N|auto|none"`
	FPS           *float64 `name:"fps" help:"Frames a second, for time code, the lamps' beat, OpenEXR and clips: 23.976, 24, 25, 29.97 and so on. Default: a video file's own." placeholder:"N"`
	Drop          *bool    `negatable:"" help:"The time code drops frames, where the names do not say so by a semicolon (29.97 and 59.94 frames a second)."`
	TimecodeColor *string  `help:"Time code of the first color frame, like 01:02:03:04, or none. Default: from the names, where all have it." placeholder:"TC"`
	TimecodeBand  *string  `help:"Time code of the first band frame, likewise." placeholder:"TC"`

	CleanBand  *string `help:"Clean band plate: the screen with nobody before it. A folder or glob is averaged. Without it one is rebuilt from the take." placeholder:"F"`
	CleanColor *string `help:"Clean color plate. Without it the screen's light in color is estimated." placeholder:"F"`
	DarkBand   *string `help:"Dark band plate: lamps off or lens capped." placeholder:"F"`
	DarkColor  *string `help:"Dark color plate." placeholder:"F"`
	FlatBand   *string `help:"Flat frames of the band camera, for its noise: a folder or glob of pairs, each two of the same light, best at several levels. Without them the noise is read from the take." placeholder:"PATH"`
	FlatColor  *string `help:"Flat frames of the color camera, likewise." placeholder:"PATH"`

	ColorCamera    string  `help:"The curve and the primaries that the color camera recorded with, by the trade's names: logc3-awg3, slog3-sgamut3cine, vlog-vgamut and so on (twinplate curves lists them)." placeholder:"NAME"`
	ColorCurve     *string `help:"Transfer curve of the color plates: linear, srgb, bt709, bt1886, hlg, pq, acescct, density10, a camera's (twinplate curves lists them), or a CSV file of code value and linear light. Default: what the files' tags say, or srgb." placeholder:"NAME|F.csv"`
	BandCurve      *string `help:"Transfer curve of the band plates, likewise." placeholder:"NAME|F.csv"`
	ColorRange     *string `help:"The range of the color clip's code values: narrow (at 10 bits 64 to 940) or full (0 to 1023, in which cameras' log curves count). Default: what its tag says." placeholder:"narrow|full"`
	BandRange      *string `help:"The same for the band clip." placeholder:"narrow|full"`
	ColorTransform *string `help:"A transform in the Common LUT Format (CLF) by which the color plates' code values become linear light, of --color-primaries, in place of a curve." placeholder:"F.clf"`
	BandTransform  *string `help:"The same for the band plates." placeholder:"F.clf"`

	Parity *string `help:"Whether the band plate is flipped left to right by the beam splitter: auto (found from the footage, the default), mirrored or straight. For footage that does not tell." placeholder:"auto|mirrored|straight"`

	Frames *string `help:"Frames A to B only, by the color plate's numbers: 12-48, 12- or 12. With --recipe these are the frames that are made; what is estimated is estimated from the recipe's." placeholder:"A-B"`

	found []take.Found
}

// into writes the flags that are given over the recipe's fields.
func (p *plates) into(r *take.Recipe) error {
	if p.Take != "" {
		found, all, err := take.FromFolder(p.Take)
		if err != nil {
			return err
		}
		p.found = all
		r.Color, r.Band, r.Background = found.Color, found.Band, found.Background
		r.CleanColor, r.CleanBand, r.DarkColor, r.DarkBand = found.CleanColor, found.CleanBand, found.DarkColor, found.DarkBand
		r.FlatColor, r.FlatBand = found.FlatColor, found.FlatBand
	}
	if err := overrideCamera(&r.ColorCurve, &r.ColorPrimaries, p.ColorCamera); err != nil {
		return err
	}
	return override(r, p)
}

// missing returns an error where a plate is not given that there must be.
func (p *plates) missing(command string, r *take.Recipe) error {
	for _, need := range []struct{ flag, value string }{{"color", r.Color}, {"band", r.Band}} {
		switch {
		case need.value != "":
		case p.Take != "":
			return usageError{fmt.Errorf("%s: nothing in it is called %s: give it by --%s", p.Take, need.flag, need.flag)}
		default:
			return usageError{fmt.Errorf("--%s is missing: see twinplate %s --help", need.flag, command)}
		}
	}
	return nil
}

// printFound says what was found in the take's folder.
func (p *plates) printFound(t *terminal) {
	heading := "found"
	for _, f := range p.found {
		t.printf("%-12s %s: %s\n", heading, f.Field, f.Path)
		heading = ""
	}
}

// override sets the fields of a recipe, or of a part of it, to the flags that are given and have
// their names, be it to zero values: a flag that is not there is nil. Flags of other types than
// their fields, and those of no such name, are left to whoever calls.
func override(fields, flags any) error {
	to, from := reflect.ValueOf(fields).Elem(), reflect.ValueOf(flags).Elem()
	for i := range from.NumField() {
		name, flag := from.Type().Field(i).Name, from.Field(i)
		field := to.FieldByName(name)
		if kind := flag.Kind(); !field.IsValid() || kind != reflect.Pointer && kind != reflect.Slice || flag.IsNil() {
			continue
		}
		if flag.Type() == field.Type() {
			field.Set(flag)
		} else if flag.Kind() == reflect.Pointer && flag.Type().Elem() == field.Type() {
			field.Set(flag.Elem())
		} else if text, ok := flag.Interface().(*string); ok {
			switch v := field.Addr().Interface().(type) {
			case interface{ Set(string) }: // a take.Choice
				v.Set(*text)
			case encoding.TextUnmarshaler:
				if err := v.UnmarshalText([]byte(*text)); err != nil {
					return err
				}
			}
		}
	}
	return nil
}

// overrideCamera sets the curve and the primaries that a camera of that name records with.
func overrideCamera(curve, primaries *string, name string) error {
	if name == "" {
		return nil
	}
	c, err := plate.CameraByName(name)
	if err != nil {
		return usageError{err}
	}
	*curve, *primaries = c.Curve.Name(), c.Primaries.Name()
	return nil
}

// fitting are the flags that say how a background lies in the frame, beside --fit and --fit-end.
type fitting struct {
	Offset   *string  `help:"Move the background right and down, in parts of the frame: 0.1,-0.05." placeholder:"X,Y"`
	Scale    *float64 `help:"Enlarge the background about its center." placeholder:"S"`
	Turn     *float64 `help:"Turn the background clockwise about its center, in degrees." placeholder:"DEG"`
	Softness *float64 `help:"Blur the background by a Gaussian of this sigma, in pixels of the frame, for depth of field." placeholder:"PX"`
}

type comp struct {
	plates
	Background          *string `help:"What goes behind: a still, a folder, a quoted glob, or a video file." placeholder:"PATH"`
	BackgroundCamera    string  `help:"The curve and the primaries of a background that a camera recorded, as --color-camera." placeholder:"NAME"`
	BackgroundCurve     *string `help:"Transfer curve of the background, as --color-curve." placeholder:"NAME|F.csv"`
	BackgroundRange     *string `help:"The range of the background clip's code values, as --color-range." placeholder:"narrow|full"`
	BackgroundTransform *string `help:"A transform of the background, as --color-transform." placeholder:"F.clf"`
	OutputCurve         *string `help:"Transfer curve of comp and foreground. Default: the background's. Mattes are linear, and so is OpenEXR." placeholder:"NAME|F.csv"`

	OutputTransform *string `help:"A transform in the Common LUT Format by which linear light, of --primaries, becomes the code values of comp and foreground, in place of a curve: a display's look, say." placeholder:"F.clf"`

	Primaries           *string `help:"Primaries that the work is done in and the color is written with: bt709 (the default), bt2020, p3-d65, ap1, or a camera's." placeholder:"NAME"`
	ColorPrimaries      *string `help:"Primaries of the color plates, converted to those. Default: what the files' tags say, or the same." placeholder:"NAME"`
	BackgroundPrimaries *string `help:"Primaries of the background, likewise." placeholder:"NAME"`

	Fit             *string  `help:"How a background of another size is laid over the frame: fill, inside, stretch or none. Default fill." placeholder:"MODE"`
	Fitting         fitting  `embed:"" prefix:"fit-"`
	FitEnd          *string  `help:"Where the background has drifted to at the last frame: any of offset=X:Y, scale=S, turn=DEG and softness=PX, with commas between them. What is not there stays as it begins." placeholder:"KEY=V,..."`
	BackgroundStart *int     `help:"Number of the background's frame that goes with the take's first." placeholder:"N"`
	BackgroundEnd   *string  `help:"What comes after the background's last frame: hold, the last (the default), or loop, the first again." placeholder:"hold|loop"`
	Operator        *string  `help:"How the performer (A) joins the background (B): over (the default: the background held out, the performer added), in, out, atop, xor, plus, or any other of Porter and Duff's operators by its name in their paper or in W3C's Compositing and Blending. The background's alpha is 0 where --fit leaves the frame open." placeholder:"NAME"`
	Out             string   `help:"Folder for the results; each product has a folder in it." placeholder:"DIR"`
	Geometry        *string  `help:"Geometry between the cameras: auto (from the footage, the default), none, or a file from register." placeholder:"F|auto|none"`
	Resample        *string  `help:"Kernel that the band plate is resampled by: bicubic (the default), lanczos3 (sharper, rings more) or bilinear (softer)." placeholder:"NAME"`
	MatchSoftness   *bool    `negatable:"" help:"Blur the sharper camera's plates to the softness of the other's, where they differ, so that the matte's edge and the picture's fit. Without it a difference is warned of. A color plate that is blurred stays so."`
	LateralColor    *string  `help:"Lateral color of the color camera's lens, taken out of its plates: none (the default), auto, or the scales of red and blue over green's, less 1. Without it, it is warned of." placeholder:"R,B|auto|none"`
	Crosstalk       *string  `help:"Set light that the band camera sees: auto (the default), none, or three numbers." placeholder:"R,G,B|auto|none"`
	Gain            *string  `help:"The lamps' gain: auto (one a frame, the default) or none." placeholder:"auto|none"`
	Clamp           *string  `help:"What is kept within the range of light: transmission (the default), none or all." placeholder:"WHAT"`
	CleanFrom       *string  `help:"Without a clean band plate: take (rebuilt from the frames, the default) or screen (a smooth fit)." placeholder:"take|screen"`
	Glare           *string  `help:"Veiling glare of the band camera's lens: none (the default), auto, or its strength." placeholder:"auto|none|S"`
	Regions         string   `help:"A JSON file of regions: outlines within which the matte is outside, solid, open or unspilled, with feather and key frames." placeholder:"F.json"`
	Spill           *string  `help:"What becomes of the lamps' light on the performer: keep (the default), or core: it is taken off wherever their core is, which then counts as solid. Regions that are unspilled take it off within them." placeholder:"keep|core"`
	Beyond          *string  `help:"What shows beyond the screen's border: outside, the background (the default where there is one), or keep, the color plate as it is." placeholder:"outside|keep"`
	Tidy            *bool    `negatable:"" help:"Take noise out of the open screen and the core. Intermediate alpha is not touched."`
	Floor           *float64 `help:"Transmission below this becomes 0: hides spill, and whatever is that thin. Default 0." placeholder:"T"`
	Ceiling         *float64 `help:"Transmission above this becomes 1. Default 1." placeholder:"T"`
	Knee            *float64 `help:"Half the width of the bend at floor and ceiling. Default 0.02." placeholder:"T"`
	Write           []string `help:"What to write: comp, matte, foreground, transmission, sigma (the noise of alpha), unmeasured (where the matte is not measured: white outside the band plate, beyond the screen, in regions and where spill was taken off). Default comp,matte." placeholder:"WHAT,..."`
	Format          *string  `help:"png (the default), tiff or exr (OpenEXR: linear light, color premultiplied with alpha)." placeholder:"FORMAT"`
	Depth           *int     `help:"Bits of a value: 8 or 16, in exr 16 (half) or 32 (float). Default 16." placeholder:"BITS"`
	Layers          []string `help:"In exr: matte, sigma or both as layers beside the color of comp and foreground." placeholder:"WHAT,..."`
	Contact         bool     `help:"Write DIR/contact.png too: a frame from the middle of the take at every station of the job."`
	grading
	clips
	Takes       string  `help:"Of a day, the takes of these names only: take02,take05..take07." placeholder:"NAMES"`
	Replace     bool    `help:"Overwrite files in DIR that were made with other settings, clips, and whatever has the name of a recipe that is to be saved; inputs never. Without it comp stops before the first frame."`
	StopAtError bool    `help:"Begin no more frames after one that failed. Without it the others are done."`
	Shard       string  `help:"Do part I of N of the take only, the parts counted from 0, for several machines with one folder. Give each the same recipe." placeholder:"I/N"`
	Recipe      string  `help:"Take settings from a recipe. A flag goes before it, also with 0 or nothing, which undoes what the recipe has: --floor 0, --clean-band '', --no-tidy." placeholder:"F" type:"path"`
	SaveRecipe  string  `help:"Save what reproduces this run, estimates included. Without --out that is all that is done." placeholder:"F"`
	Jobs        int     `help:"Frames worked on at once. Default: one a core, within --memory." placeholder:"N"`
	Memory      float64 `help:"Gigabytes that the frames worked on at once may take together, beside the reference plates; one is worked on in any case. Default: 4 or half of what is free, or no bound with --jobs." placeholder:"GB"`
	JSON        bool    `name:"json" help:"Print one JSON object instead of text; of a day, one for each take."`

	name   string   // of a day's take
	inputs []string // all clips of the day
}

func (comp) Help() string {
	return examples(
		"twinplate comp --color color --band band --background sea.png --out out",
		"twinplate comp take3 --background sea.png --out out --contact    # take3/color, take3/band, take3/clean_band.png and so on",
		"twinplate comp day/day.json --background sea.png --out out --clip comp.mov    # all takes of a day: out/take01/comp, take01_comp.mov and so on",
		"twinplate comp --color 'a_*.png' --band 'b_*.tif' --clean-band clean.tif --background sea/ --out out --write comp,matte,foreground",
		"twinplate comp --color color --band band --offset auto --background sea.png --out out --save-recipe take12.json",
		"twinplate comp --recipe take12.json --frames 40-60 --out out",
		"twinplate comp --color color --band band --background sea.png --save-recipe take12.json    # estimates only",
		"twinplate comp --recipe take12.json --shard 0/16 --out out    # the first of 16 parts",
		"twinplate comp --recipe take12.json --out exr --format exr --layers matte,sigma --primaries ap1 --fps 24",
		"twinplate comp take3 --background sea.png --out out --foreground-grade matrix=match.json,exposure=0.3 --background-grade exposure=-1,saturation=0.8",
		"twinplate comp --recipe take12.json --out ghost --operator plus    # the two lights added: a double exposure",
		"twinplate comp --color a.mov --band b.mov --background sea.mov --out out --archive take12.mkv --preview take12.mp4",
		"twinplate comp --recipe take12.json --out out --stop-at-error    # goes on where it was stopped",
		"twinplate comp --recipe take12.json --out out --floor 0.05 --replace    # other settings into the same folder") +
		"\n\nResults are OUT/comp/NNNN.png, OUT/matte/NNNN.png and so on, with the color plate's frame numbers. " +
		"A matte is alpha, linear. The foreground is premultiplied, on black. " +
		"Pixels of the composite are foreground plus transmission times background, in linear light, or what --operator makes of them; where that leaves the composite transparent, OpenEXR has its alpha, and the others show it on black.\n\n" +
		"A run that was stopped goes on where it was: DIR/log.jsonl has what each frame was made of, and a frame is done again unless its settings, its inputs and the hashes of its files are those in the log. " +
		"Every file gets its name when it is whole. A file that was changed since it was written is moved to DIR/set-aside before it is written anew.\n\n" +
		"A video file's frames are counted from 1, and its time code is used where both have one. Tags are looked at in the first file of each plate.\n\n" +
		"Shards that have one recipe with all estimates make the same files as a single run, and may run at once."
}

// recipe joins the recipe file, if there is one, and the flags.
func (c *comp) recipe() (r take.Recipe, err error) {
	if c.Recipe != "" {
		if r, err = take.ReadRecipe(c.Recipe); err != nil {
			return r, err
		}
	}
	whole := r.Frames
	if err := c.plates.into(&r); err != nil {
		return r, err
	}
	if c.Recipe != "" { // --frames says which of its frames are made
		r.Frames = whole
	}
	if err := cmp.Or(overrideCamera(&r.BackgroundCurve, &r.BackgroundPrimaries, c.BackgroundCamera), override(&r, c)); err != nil {
		return r, err
	}
	if on := c.MatchSoftness; on != nil && !*on {
		r.MatchSoftness = take.Choice[float64]{Mode: "none"}
	} else if on != nil && r.MatchSoftness.Mode != "given" {
		r.MatchSoftness.Mode = "auto"
	}
	if c.Regions != "" {
		if r.Regions, err = take.ReadRegions(c.Regions); err != nil {
			return r, err
		}
	}
	if err := cmp.Or(c.grading.into(&r), override(&r.Limits, c)); err != nil {
		return r, err
	}
	if r.Format == "exr" && c.OutputCurve != nil && *c.OutputCurve != "" {
		return r, fmt.Errorf("--output-curve %s with format exr: OpenEXR is linear light", *c.OutputCurve)
	}
	if err := c.fit(&r.Fit); err != nil || c.FitEnd == nil {
		return r, err
	}
	r.FitEnd, err = fitEnd(*c.FitEnd, r.Fit)
	return r, err
}

// fitEnd reads where a background that begins by a fit has drifted to; nil: it stays.
func fitEnd(text string, begin composite.Fit) (*composite.Fit, error) {
	if strings.TrimSpace(text) == "" {
		return nil, nil
	}
	err := settings(text, "offset=0.1:0,scale=1.2", "offset, scale, turn and softness", map[string][]*float64{
		"offset": {&begin.OffsetX, &begin.OffsetY}, "scale": {&begin.Scale}, "turn": {&begin.Turn}, "softness": {&begin.Softness},
	}, nil)
	if err != nil {
		return nil, fmt.Errorf("--fit-end %w", err)
	}
	return &begin, nil
}

func (c *comp) fit(f *composite.Fit) error {
	if c.Fit != nil {
		if err := f.Mode.UnmarshalText([]byte(*c.Fit)); err != nil {
			return err
		}
	}
	at := c.Fitting.Offset
	if err := override(f, &c.Fitting); err != nil || at == nil {
		return err
	}
	if !list.Numbers(*at, &f.OffsetX, &f.OffsetY) {
		return fmt.Errorf("--fit-offset %q: it must be two numbers like 0.1,-0.05", *at)
	}
	return nil
}

// targets tries all that will be written but the frames, which Job.Run looks after.
func (c *comp) targets(r take.Recipe) error {
	if err := c.clips.check(c, r); err != nil {
		return err
	}
	outputs := guard(c.Replace, r, c.inputs...)
	if c.Recipe != "" && !c.Replace {
		outputs = guard(false, r, append(slices.Clone(c.inputs), c.Recipe)...)
	}
	if err := outputs.Check(c.SaveRecipe, recipeKind); err != nil {
		return err
	}
	if c.SaveCDL != "" && r.ForegroundGrade.None() && r.BackgroundGrade.None() {
		return usageError{errors.New("--save-cdl: there is no grade: give --foreground-grade or --background-grade")}
	}
	if err := outputs.Check(c.SaveCDL, cdlKind); err != nil {
		return err
	}
	if c.Contact && c.Out == "" {
		return usageError{errors.New("--contact without --out: it goes into that folder")}
	}
	if c.Out != "" {
		if err := os.MkdirAll(c.Out, 0o777); err != nil {
			return fmt.Errorf("the output folder cannot be made: %w", err)
		}
		if c.Contact {
			if err := outputs.Check(filepath.Join(c.Out, "contact.png"), contactKind); err != nil {
				return err
			}
		} else if err := target.Writable(c.Out); err != nil {
			return err
		}
	}
	return c.clips.targets(c.Out, outputs)
}

// compReport is what `comp --json` prints.
type compReport struct {
	Take       string         `json:"take,omitempty"` // of a day
	Found      []take.Found   `json:"found"`          // in the take's folder
	Frames     int            `json:"frames"`
	Kept       int            `json:"kept"` // of these, finished by an earlier run
	Left       int            `json:"left"` // not begun, with --stop-at-error
	Aside      []string       `json:"set_aside"`
	Output     take.Output    `json:"output"`
	Shard      string         `json:"shard,omitempty"`
	Estimated  []string       `json:"estimated"` // what the recipe did not have
	Failed     int            `json:"failed"`
	Errors     []take.Failure `json:"errors"`
	Geometry   align.Geometry `json:"geometry"`
	Model      string         `json:"model"`
	Residual   float64        `json:"residual_px"`
	Sigma      *float64       `json:"sigma_px"` // expected error of the geometry; null where it was given
	SigmaWorst *float64       `json:"sigma_worst_px"`
	*lensFigures
	Timing         timingReport       `json:"timing"`
	Crosstalk      [3]float64         `json:"crosstalk"`
	CrosstalkSigma [3]float64         `json:"crosstalk_sigma"`
	ScreenColor    *matte.ScreenColor `json:"screen_color"` // null where a clean color plate was shot
	Glare          matte.Glare        `json:"glare"`
	CleanSeen      *float64           `json:"clean_seen"` // how much of the frame the rebuilt clean band plate covers; null where none was
	Limited        matte.Limited      `json:"limited"`
	ScreenPart     *float64           `json:"screen_part"` // of the frame, where the screen covers a part and the background shows beyond; else null
	Spill          matte.SpillTaken   `json:"spill"`       // that was taken off the performer
	Imposed        float64            `json:"imposed"`     // the part of the frame that regions changed, in the mean
	Unmeasured     float64            `json:"unmeasured"`  // the part in which the matte is not measured, in the mean
	Crossed        []int              `json:"crossed"`     // frames in which the performer is at the screen's border
	Gains          map[int]float64    `json:"gains"`
	MissingBand    []int              `json:"missing_band"`
	MissingColor   []int              `json:"missing_color"`
	Notes          []string           `json:"notes"`
	Warnings       []string           `json:"warnings"`
	Seconds        map[string]float64 `json:"seconds"`
}

func (c *comp) Run(t *terminal) error {
	if c.Take != "" && day.Is(c.Take) {
		return c.day(t)
	}
	if c.Takes != "" {
		return usageError{errors.New("--takes is for a day's file: twinplate comp day/day.json --takes take02")}
	}
	r, err := c.recipe()
	if err != nil {
		return usage(err)
	}
	if err := r.Check(); err != nil {
		return usageError{err}
	}
	if err := c.missing("comp", &r); err != nil {
		return err
	}
	if c.Out+c.SaveRecipe == "" && !c.asked() {
		return usageError{errors.New("--out is missing, and no clip is asked for: see twinplate comp --help")}
	}
	var shard take.Shard
	if c.Shard != "" {
		if shard, err = take.ParseShard(c.Shard); err != nil {
			return usageError{fmt.Errorf("--%w", err)}
		}
		if c.SaveRecipe != "" {
			return usageError{errors.New("--save-recipe with --shard: a recipe is of the whole take; save it first, without --out and --shard, and give it to every shard")}
		}
	}
	if c.Jobs < 0 {
		return usageError{fmt.Errorf("--jobs %d: it must be 1 or more", c.Jobs)}
	}
	if !(c.Memory >= 0 && c.Memory < 1<<20) {
		return usageError{fmt.Errorf("--memory %g: it must be a number of gigabytes above 0", c.Memory)}
	}
	if err := c.targets(r); err != nil {
		return err
	}
	opened, job, err := c.prepare(t, r)
	if err != nil {
		return err
	}
	if !c.JSON {
		c.printFound(t)
		printJob(t, job)
	}
	if c.Shard != "" && len(job.Estimated) > 0 {
		t.warnf("warning: this shard has estimated %s by itself. Every shard spends the time, and on another kind of machine may get other last digits: estimate once (comp --save-recipe F, without --out), and give each shard --recipe F", strings.Join(job.Estimated, ", "))
	}
	memory := int64(c.Memory * 1e9)
	if free, known := freeMemory(); known && memory == 0 && c.Jobs == 0 {
		memory = min(take.DefaultMemory, free/2) // half, for there is a margin in neither number
	}
	report := &take.Report{Gains: map[int]float64{}, Seconds: map[string]float64{"total": job.Seconds}}
	clips := take.ClipOptions{Orders: c.orders(), Sound: c.Sound}
	if c.Out != "" || len(clips.Orders) > 0 {
		shown := t.meter("compositing")
		run := &take.RunOptions{Shard: shard, Out: c.Out, Replace: c.Replace, Program: "twinplate " + version(), Jobs: c.Jobs, Memory: memory, Progress: shown.step, StopAtError: c.StopAtError}
		if c.Out != "" {
			report, err = job.Run(t.ctx, run)
		} else {
			report, err = job.RunClips(t.ctx, run, clips)
		}
		shown.end()
		if errors.As(err, new(*take.OccupiedError)) {
			return fmt.Errorf("%w (--replace)", err)
		}
		if report == nil {
			return err
		}
	}
	if err == nil && c.Contact && report.Frames > 0 {
		err = writeContact(job, opened, filepath.Join(c.Out, "contact.png"))
	}
	if err == nil && c.SaveRecipe != "" {
		gains := report.Gains
		if c.Out == "" {
			gains = nil // each frame's is estimated when it is done
		}
		err = job.Recipe(gains).Save(c.SaveRecipe)
	}
	if err == nil && c.SaveCDL != "" {
		err = c.grading.save(job.Recipe(nil))
	}
	if err == nil && c.Out != "" && len(clips.Orders) > 0 {
		if len(report.Failed) > 0 {
			t.warnf("no clip is made, since frames are missing")
		} else {
			shown := t.meter("making clips")
			clips.Progress = shown.step
			err = job.WriteClips(t.ctx, c.Out, clips)
			shown.end()
		}
	}
	var seen *float64
	if job.Clean != nil {
		seen = &job.Clean.Seen
	}
	var part *float64
	if job.Extent != nil {
		part = &job.Extent.Part
	}
	if c.JSON {
		sigma, worst := expected(job.Registration)
		if e := t.object(compReport{
			lensFigures: newLensFigures(job.Estimate),
			Sigma:       sigma, SigmaWorst: worst, Timing: newTimingReport(job.Timing),
			ScreenColor: job.ScreenColor, Glare: job.Glare, CleanSeen: seen, Limited: report.Limited, Spill: report.Spill, Imposed: report.Imposed, Unmeasured: report.UnmeasuredPart, Crossed: orEmpty(report.Crossed), ScreenPart: part,
			Take: c.name, Found: orEmpty(c.found), Frames: report.Frames, Kept: report.Kept, Left: report.Left, Aside: orEmpty(report.Aside), Output: job.Output(), Shard: c.Shard, Estimated: orEmpty(job.Estimated), Failed: len(report.Failed), Errors: orEmpty(report.Failed),
			Geometry: job.Geometry, Model: job.Model, Residual: job.Residual,
			Crosstalk: job.Crosstalk, CrosstalkSigma: job.CrosstalkSigma, Gains: report.Gains,
			MissingBand: orEmpty(opened.NoBand), MissingColor: orEmpty(opened.NoColor),
			Notes: orEmpty(job.Notes), Warnings: orEmpty(slices.Concat(job.Timing.Warnings, job.Warnings)), Seconds: report.Seconds,
		}); e != nil {
			return e
		}
	} else {
		if l := report.Limited; l.Floored+l.Opened > 0 {
			t.printf("limits       %.1f %% of the frame made more solid, %.1f %% more open, by %.3f in the mean and %.3f at the most\n", 100*l.Floored, 100*l.Opened, l.MeanMoved, l.Most)
		}
		if s := report.Spill; s.Part > 0 {
			t.printf("spill        %.1f %% of light was taken off %.1f %% of the frame, %.1f times the matte's noise there: it is solid because that was said, and not measured\n", 100*s.Mean, 100*s.Part, s.Sigmas())
		}
		if report.Imposed > 0 {
			t.printf("regions      %.1f %% of the frame is as they say, and not as it was measured\n", 100*report.Imposed)
		}
		if report.UnmeasuredPart > 0 {
			t.printf("not measured in %.1f %% of the frame: outside the band plate, beyond the screen, in regions, and where spill was taken off (--write unmeasured marks it)\n", 100*report.UnmeasuredPart)
		}
		if len(report.Crossed) > 0 {
			t.printf("border       the performer is at the screen's border in frames %s: there the picture ends where the screen does\n", take.Ranges(report.Crossed))
		}
		if c.Out == "" && !c.asked() {
			t.printf("estimated in %.1f s, saved to %s\n", report.Seconds["total"], c.SaveRecipe)
		} else {
			for _, path := range report.Aside {
				t.printf("set aside    %s: changed since it was written\n", path)
			}
			to := c.Out
			if to == "" {
				to = c.names()
			}
			t.printf("%d frames in %.1f s, written to %s", report.Frames, report.Seconds["total"], to)
			if report.Kept > 0 {
				t.printf(" (%d were finished, and verified)", report.Kept)
			}
			t.printf("\n")
		}
	}
	warnAgain(t, job.Registration)
	for _, f := range report.Failed {
		t.warnf("frame %d: %s", f.Frame, f.Error)
	}
	if err == nil && len(report.Failed) > 0 {
		left := ""
		if report.Left > 0 {
			left = fmt.Sprintf("; %d were not begun", report.Left)
		}
		return fmt.Errorf("%w: %d of %d%s", errSomeFrames, len(report.Failed), report.Frames+len(report.Failed)+report.Left, left)
	}
	return err
}

// prepare opens the take and makes it ready.
func (c *comp) prepare(t *terminal, r take.Recipe) (*take.Take, *take.Job, error) {
	shown := t.meter("preparing")
	defer shown.end()
	shown.begin("the take's files")
	opened, err := take.OpenContext(t.ctx, r)
	if err != nil {
		return nil, nil, err
	}
	if c.Recipe != "" && c.Frames != nil {
		if err := opened.Select(*c.Frames); err != nil {
			return nil, nil, err
		}
	}
	if err := enough(opened.PrepareMemory()); err != nil {
		return nil, nil, err
	}
	opened.Stage = shown.begin
	job, err := opened.Prepare(t.ctx)
	return opened, job, err
}

// freeMemory is available, for a test to replace.
var freeMemory = available

// enough returns an error where there is less memory than that. A program of Go that runs out of it
// cannot say so in words any more.
func enough(need int64) error {
	if free, known := freeMemory(); known && free < need {
		return fmt.Errorf("out of memory: the take needs about %.1f GB to be prepared, and %.1f GB are free: end other programs, raise the limit, or scale the plates down", float64(need)/1e9, float64(free)/1e9)
	}
	return nil
}

// orEmpty makes a nil slice an empty one, so that JSON has [] and never null.
func orEmpty[T any](s []T) []T {
	if s == nil {
		return []T{}
	}
	return s
}

// usage marks an error of the command line, and leaves one of a file as it is.
func usage(err error) error {
	var path *fs.PathError
	if errors.As(err, &path) {
		return err
	}
	return usageError{err}
}

// printJob prints what was found out before the first frame.
func printJob(t *terminal, j *take.Job) {
	printTiming(t, j.Timing)
	printRegistration(t, j.Registration)
	t.printf("crosstalk    %.4f %.4f %.4f of red, green and blue in the band", j.Crosstalk[0], j.Crosstalk[1], j.Crosstalk[2])
	if j.CrosstalkSigma != [3]float64{} {
		t.printf(" (standard errors %.4f %.4f %.4f)", j.CrosstalkSigma[0], j.CrosstalkSigma[1], j.CrosstalkSigma[2])
	}
	t.printf("\n")
	t.printf("output       %s\n", j.Output())
	t.list("note", j.Notes)
}

// expected returns the expected error of the geometry, in band pixels: the root of its mean square
// over the frame, and its largest; nil where the geometry was given.
func expected(r take.Registration) (rms, worst *float64) {
	var sigma func(x, y float64) float64
	switch {
	case r.Estimate != nil:
		sigma = r.Estimate.Sigma
	case r.Chart != nil:
		sigma = r.Chart.Sigma
	default:
		return nil, nil
	}
	rms, worst = new(float64), new(float64)
	grid := r.Geometry.Grid(17)
	for _, p := range grid {
		s := sigma(p.Color[0], p.Color[1])
		*rms += s * s / float64(len(grid))
		*worst = max(*worst, s)
	}
	*rms = math.Sqrt(*rms)
	return rms, worst
}

// printRegistration prints a geometry as it was found, with its warnings.
func printRegistration(t *terminal, r take.Registration) {
	mirrored := "not mirrored"
	if r.Geometry.Mirror {
		mirrored = "mirrored"
	}
	t.printf("geometry     %s, %s", r.Model, mirrored)
	if rms, worst := expected(r); rms != nil {
		t.printf(", residual %.2f px; expected error %.3f px over the frame, %.3f at worst", r.Residual, *rms, *worst)
	}
	t.printf("\n")
	t.list("warning", r.Warnings)
}

// warnAgain ends what is printed with the plates that may not be what they are called: a picture
// that looks right at a glance is no reason to miss that.
func warnAgain(t *terminal, r take.Registration) {
	for _, s := range r.Suspicions {
		t.warnf("warning: %s", s)
	}
}
