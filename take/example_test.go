package take_test

import (
	"context"
	"errors"
	"fmt"
	"image"
	"log"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"example.com/twinplate/align"
	"example.com/twinplate/composite"
	"example.com/twinplate/matte"
	"example.com/twinplate/plate"
	"example.com/twinplate/rig/simulate"
	"example.com/twinplate/take"
)

// The whole job on a take of two frames, from files to files.
func Example() {
	dir, err := os.MkdirTemp("", "take")
	if err != nil {
		log.Fatal(err)
	}
	defer os.RemoveAll(dir)
	const w, h = 320, 180
	set := simulate.New(simulate.Cutouts{}, w, h, w, h, nil, simulate.DemoFaults(), 1)
	save := func(name string, frame image.Image) {
		path := filepath.Join(dir, name)
		if err := os.MkdirAll(filepath.Dir(path), 0o777); err != nil {
			log.Fatal(err)
		}
		if err := plate.Write(path, frame, &plate.WriteOptions{Curve: plate.SRGB}); err != nil {
			log.Fatal(err)
		}
	}
	for i := 1; i <= 2; i++ {
		shot := set.Frame(i)
		save(fmt.Sprintf("color/%04d.png", i), shot.Color)
		save(fmt.Sprintf("band/%04d.png", i), shot.Band)
	}
	save("clean_band.png", set.CleanBand())

	opened, err := take.Open(take.Recipe{
		Color: filepath.Join(dir, "color"), Band: filepath.Join(dir, "band"), CleanBand: filepath.Join(dir, "clean_band.png"),
		Geometry: take.Choice[align.Geometry]{Mode: "none"}, // these cameras are in line
		Write:    []string{"matte", "foreground"},
	})
	if err != nil {
		log.Fatal(err)
	}
	job, err := opened.Prepare(context.Background())
	if err != nil {
		log.Fatal(err)
	}
	report, err := job.Run(context.Background(), &take.RunOptions{Out: filepath.Join(dir, "out")})
	if err != nil {
		log.Fatal(err)
	}
	info, err := plate.Probe(filepath.Join(dir, "out", "matte", "0002.png"))
	if err != nil {
		log.Fatal(err)
	}
	fmt.Println(report.Frames, "frames; a matte has", info.W, "x", info.H, "pixels of", info.Depth, "bits")
	// Output: 2 frames; a matte has 320 x 180 pixels of 16 bits
}

// A run goes on where an earlier one was stopped, and overwrites nothing that was made with other
// settings.
func ExampleJob_Run() {
	dir, err := os.MkdirTemp("", "take")
	if err != nil {
		log.Fatal(err)
	}
	defer os.RemoveAll(dir)
	const w, h = 320, 180
	set := simulate.New(simulate.Cutouts{}, w, h, w, h, nil, simulate.DemoFaults(), 1)
	for i := 1; i <= 4; i++ {
		shot := set.Frame(i)
		for name, frame := range map[string]image.Image{"color": shot.Color, "band": shot.Band} {
			path := filepath.Join(dir, name, fmt.Sprintf("%04d.png", i))
			if err := os.MkdirAll(filepath.Dir(path), 0o777); err != nil {
				log.Fatal(err)
			}
			if err := plate.Write(path, frame, &plate.WriteOptions{Curve: plate.SRGB}); err != nil {
				log.Fatal(err)
			}
		}
	}
	recipe := take.Recipe{
		Color: filepath.Join(dir, "color"), Band: filepath.Join(dir, "band"),
		Geometry: take.Choice[align.Geometry]{Mode: "none"}, Crosstalk: take.Choice[[3]float64]{Mode: "none"}, Write: []string{"matte"},
	}
	run := func(recipe take.Recipe, opt take.RunOptions) (*take.Report, error) {
		opened, err := take.Open(recipe)
		if err != nil {
			log.Fatal(err)
		}
		job, err := opened.Prepare(context.Background())
		if err != nil {
			log.Fatal(err)
		}
		opt.Out = filepath.Join(dir, "out")
		return job.Run(context.Background(), &opt)
	}
	first, err := run(recipe, take.RunOptions{Shard: take.Shard{I: 0, N: 2}}) // half of the take
	if err != nil {
		log.Fatal(err)
	}
	whole, err := run(recipe, take.RunOptions{})
	if err != nil {
		log.Fatal(err)
	}
	fmt.Printf("%d frames, then %d, of which %d were there\n", first.Frames, whole.Frames, whole.Kept)

	recipe.Clamp = "none"
	_, err = run(recipe, take.RunOptions{})
	var occupied *take.OccupiedError
	if errors.As(err, &occupied) {
		fmt.Println("other settings would overwrite", occupied.Files, "files")
	}
	// Output:
	// 2 frames, then 4, of which 2 were there
	// other settings would overwrite 4 files
}

// A test shot whose screen is too bright for the band camera, read before the set is struck.
func ExampleTake_Check() {
	dir, err := os.MkdirTemp("", "take")
	if err != nil {
		log.Fatal(err)
	}
	defer os.RemoveAll(dir)
	const w, h = 320, 180
	set := simulate.New(simulate.Cutouts{}, w, h, w, h, nil, simulate.Faults{ScreenLevel: 1.3, Unevenness: 1, Bits: 16}, 1)
	for i := 1; i <= 2; i++ {
		shot := set.Frame(i)
		for name, frame := range map[string]image.Image{"color": shot.Color, "band": shot.Band} {
			path := filepath.Join(dir, name, fmt.Sprintf("%04d.png", i))
			if err := os.MkdirAll(filepath.Dir(path), 0o777); err != nil {
				log.Fatal(err)
			}
			if err := plate.Write(path, frame, &plate.WriteOptions{Curve: plate.SRGB}); err != nil {
				log.Fatal(err)
			}
		}
	}
	opened, err := take.Open(take.Recipe{Color: filepath.Join(dir, "color"), Band: filepath.Join(dir, "band"), Geometry: take.Choice[align.Geometry]{Mode: "none"}})
	if err != nil {
		log.Fatal(err)
	}
	c, err := opened.Check(context.Background(), nil)
	if err != nil {
		log.Fatal(err)
	}
	r := c.Readings.Named("band_clipped")
	fmt.Printf("%s: %s\n%s\n", r.Verdict, r.Meaning, r.Advice)
	// Output:
	// bad: Part of the band plate clips: its true level is lost there.
	// Close the band camera's iris, and look for lamps reflected in shiny things.
}

// Padding and prefix may differ; the number counts.
func ExampleMatch() {
	color := take.Sequence{{Number: 1, Path: "c_0001.png"}, {Number: 2, Path: "c_0002.png"}, {Number: 3, Path: "c_0003.png"}}
	band := take.Sequence{{Number: 2, Path: "b2.tif"}, {Number: 3, Path: "b3.tif"}, {Number: 4, Path: "b4.tif"}}
	p, err := take.Match(color, band)
	if err != nil {
		log.Fatal(err)
	}
	for _, pair := range p.Pairs {
		fmt.Println(pair.Number, pair.Color, pair.Band)
	}
	fmt.Println("no band frame:", take.Ranges(p.NoBand))
	fmt.Println("no color frame:", take.Ranges(p.NoColor))
	// Output:
	// 2 c_0002.png b2.tif
	// 3 c_0003.png b3.tif
	// no band frame: 1
	// no color frame: 4
}

func ExampleParseFrames() {
	first, last, err := take.ParseFrames("12-48")
	fmt.Println(first, last, err)
	_, _, err = take.ParseFrames("48-12")
	fmt.Println(err)
	// Output:
	// 12 48 <nil>
	// frame range "48-12": it ends before it begins
}

// Ten frames on four machines.
func ExampleShard_Range() {
	for i := range 4 {
		s := take.Shard{I: i, N: 4}
		first, end := s.Range(10)
		fmt.Printf("%v: %d to %d\n", s, first, end-1)
	}
	// Output:
	// 0/4: 0 to 1
	// 1/4: 2 to 4
	// 2/4: 5 to 6
	// 3/4: 7 to 9
}

func ExampleParseShard() {
	s, err := take.ParseShard("3/16")
	fmt.Println(s.I, s.N, err)
	_, err = take.ParseShard("16/16")
	fmt.Println(err)
	// Output:
	// 3 16 <nil>
	// shard 16/16: the parts are counted from 0, and the last of 16 is 15
}

func ExampleRecipe_Save() {
	dir, err := os.MkdirTemp("", "recipe")
	if err != nil {
		log.Fatal(err)
	}
	defer os.RemoveAll(dir)
	path := filepath.Join(dir, "take12.json")
	if err := (take.Recipe{Color: filepath.Join(dir, "color"), Band: filepath.Join(dir, "band"), Crosstalk: take.Given([3]float64{0.03, 0.02, 0.005})}).Save(path); err != nil {
		log.Fatal(err)
	}
	data, err := os.ReadFile(path)
	if err != nil {
		log.Fatal(err)
	}
	fmt.Printf("%s", data)
	// Output:
	// {
	//   "version": 2,
	//   "color": "color",
	//   "band": "band",
	//   "crosstalk": [
	//     0.03,
	//     0.02,
	//     0.005
	//   ]
	// }
}

func ExampleChoice_Set() {
	for _, s := range []string{"auto", "-3", "soon"} {
		var r take.Recipe
		r.Offset.Set(s)
		fmt.Printf("%q %d %v\n", r.Offset.Mode, r.Offset.Value, r.Check())
	}
	// Output:
	// "auto" 0 <nil>
	// "given" -3 <nil>
	// "file" 0 offset "soon": it must be auto, none, or a whole number of frames like 12 or -3
}

func ExampleGiven() {
	r := take.Recipe{Crosstalk: take.Given([3]float64{0.03, 0.02, 0.005}), Glare: take.Given(matte.Glare{Strength: 0.7})}
	fmt.Println(r.Crosstalk.Mode, r.Check())
	// Output: given glare {Strength:0.7 Sigma:0 Width:0}: it must be auto, none, or a strength from 0 to 0.5
}

// A live feed is pictures that are in no file: here two cameras' frames are kept in memory.
type feed struct {
	plate.Disk
	frames map[string][]image.Image // by the camera
}

func (f feed) Footage(camera string) (*plate.Footage, error) {
	var all plate.Footage
	for i := range f.frames[camera] {
		all.Names = append(all.Names, fmt.Sprintf("%s#%d", camera, i))
	}
	return &all, nil
}

func (f feed) Open(name string) (*plate.Picture, error) {
	camera, n, _ := strings.Cut(name, "#")
	i, err := strconv.Atoi(n)
	if err != nil {
		return nil, err
	}
	m := f.frames[camera][i]
	_, gray := m.(*plate.Gray)
	return plate.DecodedPicture(name, plate.Info{W: m.Bounds().Dx(), H: m.Bounds().Dy(), Depth: 32, Color: !gray},
		func() (image.Image, error) { return m, nil }), nil
}

func ExampleOpenFiles() {
	const w, h = 320, 180
	set := simulate.New(simulate.Cutouts{}, w, h, w, h, nil, simulate.DemoFaults(), 1)
	live := feed{frames: map[string][]image.Image{"clean": {set.CleanBand()}}}
	for i := range 2 {
		shot := set.Frame(i)
		live.frames["color"] = append(live.frames["color"], shot.Color)
		live.frames["band"] = append(live.frames["band"], shot.Band)
	}
	opened, err := take.OpenFiles(context.Background(), live, take.Recipe{
		Color: "color", Band: "band", CleanBand: "clean", Geometry: take.Choice[align.Geometry]{Mode: "none"}, Crosstalk: take.Choice[[3]float64]{Mode: "none"},
	})
	if err != nil {
		log.Fatal(err)
	}
	job, err := opened.Prepare(context.Background())
	if err != nil {
		log.Fatal(err)
	}
	report, err := job.Run(context.Background(), &take.RunOptions{Each: func(r *take.Result) error { return r.Transmission.CheckFinite() }})
	if err != nil {
		log.Fatal(err)
	}
	fmt.Println(report.Frames, "frames")
	// Output: 2 frames
}

// Another finish of a job, and of a Scrubber that holds a frame, without preparing the take again.
func ExampleJob_Finish() {
	const w, h = 320, 180
	set := simulate.New(simulate.Cutouts{}, w, h, w, h, nil, simulate.DemoFaults(), 1)
	shot, sea := set.Frame(0), plate.NewRGB(w, h)
	sea.Fill(0.1, 0.2, 0.4)
	live := feed{frames: map[string][]image.Image{"clean": {set.CleanBand()}, "color": {shot.Color}, "band": {shot.Band}, "sea": {sea}}}
	recipe := take.Recipe{
		Color: "color", Band: "band", CleanBand: "clean", Background: "sea",
		Geometry: take.Choice[align.Geometry]{Mode: "none"}, Crosstalk: take.Choice[[3]float64]{Mode: "none"},
	}
	opened, err := take.OpenFiles(context.Background(), live, recipe)
	if err != nil {
		log.Fatal(err)
	}
	job, err := opened.Prepare(context.Background())
	if err != nil {
		log.Fatal(err)
	}
	scrubber := job.NewScrubber()
	if _, err := scrubber.Frame(1, nil); err != nil {
		log.Fatal(err)
	}
	recipe.Regions = []matte.Region{{Name: "all", Effect: matte.Open, Keys: []matte.Outline{{Corners: []matte.Corner{{X: 0, Y: 0}, {X: 1, Y: 0}, {X: 1, Y: 1}, {X: 0, Y: 1}}}}}}
	if err := scrubber.Finish(context.Background(), recipe); err != nil {
		log.Fatal(err)
	}
	fmt.Println(len(scrubber.Files(1)), "files to read")
	frame, err := scrubber.Frame(1, nil)
	if err != nil {
		log.Fatal(err)
	}
	fmt.Println("transmission", frame.Transmission.Pix[0])
	next, err := job.Finish(context.Background(), recipe)
	if err != nil {
		log.Fatal(err)
	}
	fmt.Println(next.Notes[len(next.Notes)-1])
	// Output:
	// 0 files to read
	// transmission 1
	// 1 regions: open all; there the matte is what they say, and is not measured
}

// pier draws three frames of a take into a folder, w by h pixels, and opens it.
func pier(dir string, w, h int) *take.Take {
	set := simulate.New(simulate.Pier{Seed: 1, Frames: 48}, w, h, w, h, nil, simulate.DemoFaults(), 1)
	for i := 1; i <= 3; i++ {
		shot := set.Frame(8 * i)
		for name, frame := range map[string]image.Image{"color": shot.Color, "band": shot.Band} {
			path := filepath.Join(dir, name, fmt.Sprintf("%04d.png", i))
			if err := os.MkdirAll(filepath.Dir(path), 0o777); err != nil {
				log.Fatal(err)
			}
			if err := plate.Write(path, frame, &plate.WriteOptions{Curve: plate.SRGB}); err != nil {
				log.Fatal(err)
			}
		}
	}
	opened, err := take.Open(take.Recipe{Color: filepath.Join(dir, "color"), Band: filepath.Join(dir, "band")})
	if err != nil {
		log.Fatal(err)
	}
	return opened
}

func ExampleTake_Draft() {
	dir, err := os.MkdirTemp("", "take")
	if err != nil {
		log.Fatal(err)
	}
	defer os.RemoveAll(dir)
	opened := pier(dir, 480, 270)
	if err := opened.Draft([]int{1, 3}); err != nil {
		log.Fatal(err)
	}
	job, err := opened.Prepare(context.Background())
	if err != nil {
		log.Fatal(err)
	}
	fmt.Println("within a pixel:", job.Residual < 1)
	fmt.Println(opened.Draft([]int{9}))
	// Output:
	// within a pixel: true
	// no frame of 9 is a pair of the take
}

// A frame is looked at first, by its foreground's rows; then comes the longest of the tests for
// files that are not what they are called.
func ExampleJob_Curves() {
	dir, err := os.MkdirTemp("", "take")
	if err != nil {
		log.Fatal(err)
	}
	defer os.RemoveAll(dir)
	opened := pier(dir, 240, 135)
	opened.CurvesLater = true
	job, err := opened.Prepare(context.Background())
	if err != nil {
		log.Fatal(err)
	}
	rows := 0
	if err := job.NewScrubber().Foreground(2, false, func(int, [3][]float32, []float32) { rows++ }); err != nil {
		log.Fatal(err)
	}
	doubts, err := job.Curves(context.Background())
	fmt.Println(rows, "rows,", len(doubts), "doubts,", err)
	// Output:
	// 135 rows, 0 doubts, <nil>
}

// A frame is looked at first; what its error bar is made from is found behind it.
func ExampleJob_Noise() {
	dir, err := os.MkdirTemp("", "take")
	if err != nil {
		log.Fatal(err)
	}
	defer os.RemoveAll(dir)
	pier(dir, 240, 135)
	opened, err := take.Open(take.Recipe{Color: filepath.Join(dir, "color"), Band: filepath.Join(dir, "band"), Write: []string{"comp", "sigma"}})
	if err != nil {
		log.Fatal(err)
	}
	opened.NoiseLater = true
	job, err := opened.Prepare(context.Background())
	if err != nil {
		log.Fatal(err)
	}
	scrubber := job.NewScrubber()
	frame, err := scrubber.Frame(2, nil)
	if err != nil {
		log.Fatal(err)
	}
	_, err = scrubber.Sigma(frame)
	fmt.Println(frame.Transmission.Size(), err)
	if job, err = job.Noise(context.Background()); err != nil {
		log.Fatal(err)
	}
	fmt.Println(job.NoiseLeft(), job.BandNoise.Edge > 0)
	// Output:
	// (240,135) the cameras' noise, which error bars are made from, is not known yet: Job.Noise finds it
	// false true
}

// Both grades as other programs have them.
func ExampleRecipe_CDLs() {
	saturation := 0.5
	r := take.Recipe{ForegroundGrade: composite.Grade{Exposure: 1}, BackgroundGrade: composite.Grade{Saturation: &saturation, In: "acescct"}}
	all, err := r.CDLs()
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, c := range all {
		fmt.Println(c.ID, c.Description, c.Slope, c.Saturation)
	}
	r.ForegroundGrade.Matrix = &[9]float64{1, 0.1, 0, 0, 1, 0, 0, 0, 1}
	_, err = r.CDLs()
	fmt.Println(err)
	// Output:
	// foreground acts on values of linear light, without clamping [2 2 2] 1
	// background acts on values of acescct, without clamping [1 1 1] 0.5
	// the foreground's grade: composite: a CDL cannot have the grade's matrix: it mixes the channels
}
