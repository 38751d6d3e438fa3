package take

import (
	"bytes"
	"cmp"
	"encoding/json"
	"fmt"
	"path/filepath"
	"reflect"
	"slices"
	"strings"

	"example.com/twinplate/align"
	"example.com/twinplate/composite"
	"example.com/twinplate/internal/objects"
	"example.com/twinplate/matte"
	"example.com/twinplate/plate"
)

// RecipeVersion is the version of the recipe files that this package writes. It reads this one and
// earlier. Version 1 knew nothing of Beyond, and kept the color plate.
const RecipeVersion = 2

// A Recipe is everything that reproduces a result. The zero value of each field is its default. In
// a file, relative paths are relative to the file's folder.
type Recipe struct {
	Version int `json:"version"`

	// Files, folders or globs.
	Color      string `json:"color,omitempty"`
	Band       string `json:"band,omitempty"`
	Background string `json:"background,omitempty"`
	// Reference plates, each a file, or a folder or glob whose frames are averaged.
	CleanColor string `json:"clean_color,omitempty"`
	CleanBand  string `json:"clean_band,omitempty"`
	DarkColor  string `json:"dark_color,omitempty"`
	DarkBand   string `json:"dark_band,omitempty"`
	// Flat frames, a folder or glob: pairs that follow each other, each of one light, from which a
	// camera's noise is measured (matte.PhotonTransfer) instead of from the take. They have their
	// camera's curve.
	FlatColor string `json:"flat_color,omitempty"`
	FlatBand  string `json:"flat_band,omitempty"`

	// Names of transfer curves, or CSV files. Empty: what a plate's tags say, or srgb; for what is
	// written, the background's. Clean and dark plates have their camera's. OpenEXR is linear.
	ColorCurve      string `json:"color_curve,omitempty"`
	BandCurve       string `json:"band_curve,omitempty"`
	BackgroundCurve string `json:"background_curve,omitempty"`
	OutputCurve     string `json:"output_curve,omitempty"`

	// Files in the Common LUT Format, by each of which a plate's code values, 0 to 1, become linear
	// light, in place of a curve, of that plate's primaries. Clean and dark plates go through their
	// camera's.
	ColorTransform      string `json:"color_transform,omitempty"`
	BandTransform       string `json:"band_transform,omitempty"`
	BackgroundTransform string `json:"background_transform,omitempty"`
	// OutputTransform is such a file by which linear light of Primaries becomes the code values of
	// comp and foreground, in place of OutputCurve, of whatever primaries its author meant.
	// OpenEXR, which is linear light, is not written with it. Mattes stay linear.
	OutputTransform string `json:"output_transform,omitempty"`

	// The range of a clip's code values, "narrow" or "full", where its tag is wrong, or where a
	// camera's curve counts in the codes of the whole signal; empty: as it is tagged. Clean and
	// dark plates that are clips have their camera's.
	ColorRange      string `json:"color_range,omitempty"`
	BandRange       string `json:"band_range,omitempty"`
	BackgroundRange string `json:"background_range,omitempty"`

	// Names of primaries, as plate.PrimariesByName knows them: those that the job is done in and
	// its color is written with (empty: bt709), and those of the plates. Empty: what a plate's tags
	// say, or the ones that are worked in. Estimates in a recipe hold for its primaries.
	Primaries           string `json:"primaries,omitempty"`
	ColorPrimaries      string `json:"color_primaries,omitempty"`
	BackgroundPrimaries string `json:"background_primaries,omitempty"`

	// How the frames lie in time. FPS is the frames a second that time code counts, and what it is
	// read from names for; Drop says that it drops frames (SMPTE ST 12-1). TimecodeColor and
	// TimecodeBand are the time codes of the recordings' first frames, or "none"; empty: from the
	// names, where all have one. Offset, with a value: the color frame n goes with the band frame n +
	// Value. By default (none), with the one of the same number or time code; auto finds it from the
	// recordings' motion.
	Offset        Choice[int] `json:"offset,omitzero"`
	FPS           float64     `json:"fps,omitempty"`
	Drop          bool        `json:"drop,omitempty"`
	TimecodeColor string      `json:"timecode_color,omitempty"`
	TimecodeBand  string      `json:"timecode_band,omitempty"`

	Frames string `json:"frames,omitempty"` // "A-B"; empty: all
	// Geometry is from the footage (auto) by default; with none, the plates fit as they are. A file is
	// what `twinplate register` wrote.
	Geometry Choice[align.Geometry] `json:"geometry,omitzero"`
	// Parity says whether the band plate is flipped left to right, where the footage does not tell:
	// "mirrored" or "straight"; "auto" or empty: found with the geometry.
	Parity string `json:"parity,omitempty"`
	// For the lenses' sake, before the solution, none by default: the color plates' red and blue are
	// brought to green's scale (their scales over green's, less 1, each within 0.01); the sharper
	// camera's plates are blurred to the softness of the other's, by a Gaussian whose sigma in color
	// pixels is given, at most 5: above 0 the color plates, below 0 the band plates.
	LateralColor  Choice[[2]float64] `json:"lateral_color,omitzero"`
	MatchSoftness Choice[float64]    `json:"match_softness,omitzero"`
	Resample      align.Kernel       `json:"resample,omitzero"`  // how the band plate is resampled: "bicubic" (default), "lanczos3" or "bilinear"
	Crosstalk     Choice[[3]float64] `json:"crosstalk,omitzero"` // m, each between -1 and 1; auto by default
	// Gain has the lamps' gain by frame number; frames that it lacks, and all by default (auto), are
	// estimated. With none it is 1.
	Gain        Choice[map[int]float64] `json:"gain,omitzero"`
	BandWeights *[3]float32             `json:"band_weights,omitempty"` // of a band camera's color channels; nil: estimated
	Screen      *matte.Screen           `json:"screen,omitempty"`       // stands in for a clean band plate
	// CleanFrom says what is made of the screen where nobody shot a clean band plate: "take", the
	// plate is rebuilt pixel by pixel from the frames in which the performer is elsewhere; or
	// "screen", the smooth screen itself. Empty: "screen" where the recipe has a Screen, "take"
	// where it is fitted. A plate rebuilt from other frames differs a little.
	CleanFrom   string              `json:"clean_from,omitempty"`
	ScreenColor *matte.ScreenColor  `json:"screen_color,omitempty"` // K without a clean color plate; nil: estimated
	Glare       Choice[matte.Glare] `json:"glare,omitzero"`         // veiling glare of the band camera's lens; none by default
	Pedestal    float64             `json:"pedestal,omitempty"`     // the band plate's level of black where there is no dark band plate; 0: estimated with the crosstalk
	Limits      matte.Limits        `json:"limits,omitzero"`        // floor and ceiling of the transmission; zero: none
	Tidy        bool                `json:"tidy,omitempty"`         // take noise out of the open screen and the core
	ColorNoise  *matte.Noise        `json:"color_noise,omitempty"`  // for sigma and for Tidy; nil: estimated from the take
	BandNoise   *matte.Noise        `json:"band_noise,omitempty"`   // likewise, as the band camera made its frames
	Clamp       string              `json:"clamp,omitempty"`        // "transmission" (default), "none" or "all"
	Fit         composite.Fit       `json:"fit,omitzero"`           // of the background
	// FitEnd is where the background has drifted to at the recipe's last frame; nil: it stays. Its
	// mode is Fit's.
	FitEnd *composite.Fit `json:"fit_end,omitempty"`
	// BackgroundStart is the number of the background's frame that goes with the recipe's first;
	// nil: the one of the same number, or the first. BackgroundEnd says what comes after its last:
	// "hold", the last (the default), or "loop", the first again.
	BackgroundStart *int   `json:"background_start,omitempty"`
	BackgroundEnd   string `json:"background_end,omitempty"`
	// What is done to the color of the foreground and of the background before the sum. A gray card
	// is in the color plate of its frame, or in the background's first picture; a run replaces it by
	// the balance that it gives.
	ForegroundGrade composite.Grade `json:"foreground_grade,omitzero"`
	BackgroundGrade composite.Grade `json:"background_grade,omitzero"`
	// Operator joins the performer (A) and the background (B), whose alpha is 0 where its Fit does not
	// reach. The default, "A over B", holds the background out and adds the performer.
	Operator composite.Operator `json:"operator,omitzero"`
	Regions  []matte.Region     `json:"regions,omitempty"` // within which the matte is what somebody says, in their order
	// Spill says what becomes of the spill on the performer: it stays ("keep", the default), or it
	// is taken off wherever the performer's core is ("core"), which then counts as solid. Regions
	// that are unspilled take it off within them.
	Spill string `json:"spill,omitempty"`
	// Beyond says what shows beyond the screen's border: "outside", the background (the default where
	// there is one), or "keep", the color plate as it is.
	Beyond string `json:"beyond,omitempty"`

	Write  []string `json:"write,omitempty"`  // of Products; empty: comp and matte
	Format string   `json:"format,omitempty"` // "png" (default), "tiff" or "exr"
	Depth  int      `json:"depth,omitempty"`  // 8 or 16 (default); in OpenEXR 16 (half, default) or 32 (float)
	Layers []string `json:"layers,omitempty"` // in an OpenEXR file of color: "matte", "sigma"
}

// Products are what a run can write, each into a folder of its name. Sigma is the standard
// deviation of alpha, in linear light: by the cameras' noise, and by what the plates scatter
// beyond. Unmeasured is Result.Unmeasured.
var Products = []string{"comp", "matte", "foreground", "transmission", "sigma", "unmeasured"}

// parities are what a recipe's Parity can be.
var parities = map[string]align.Mirror{"": align.MirrorAuto, "auto": align.MirrorAuto, "mirrored": align.MirrorYes, "straight": align.MirrorNo}

// cleanSources are what a recipe's CleanFrom can be.
var cleanSources = map[string]matte.CleanSource{"": matte.CleanAuto, "take": matte.CleanRebuilt, "screen": matte.CleanSmooth}

// clamps are the names of matte's clamps in a recipe.
var clamps = map[string]matte.Clamp{"": matte.ClampTransmission, "transmission": matte.ClampTransmission, "none": matte.ClampNone, "all": matte.ClampAll}

// Check returns an error that names the first field with a value that cannot be used. It opens no
// file.
func (r Recipe) Check() error {
	if r.Version > RecipeVersion {
		return fmt.Errorf("the recipe has version %d, and this program knows versions up to %d: use a newer twinplate, or save the recipe anew with this one", r.Version, RecipeVersion)
	}
	if r.Version < 0 {
		return fmt.Errorf("the recipe has version %d: it must be %d", r.Version, RecipeVersion)
	}
	if _, _, err := ParseFrames(r.Frames); err != nil {
		return err
	}
	if err := cmp.Or(r.checkTime(), r.checkChoices()); err != nil {
		return err
	}
	if _, err := r.Resample.MarshalText(); err != nil {
		return err
	}
	for _, w := range r.Write {
		if !slices.Contains(Products, w) {
			return fmt.Errorf("write %q: it must be of %s", w, strings.Join(Products, ", "))
		}
	}
	if err := cmp.Or(
		oneOf("format", r.Format, "png", "tiff", "exr"),
		oneOf("range", r.ColorRange, "narrow", "full"), oneOf("range", r.BandRange, "narrow", "full"), oneOf("range", r.BackgroundRange, "narrow", "full"),
		oneOf("parity", r.Parity, "auto", "mirrored", "straight"),
		oneOf("clean_from", r.CleanFrom, "take", "screen"),
		oneOf("background_end", r.BackgroundEnd, "hold", "loop"),
		oneOf("beyond", r.Beyond, "outside", "keep"),
		oneOf("spill", r.Spill, "keep", "core"),
		oneOf("clamp", r.Clamp, "transmission", "none", "all"),
	); err != nil {
		return err
	}
	if exr := r.Format == "exr"; exr && !slices.Contains([]int{0, 16, 32}, r.Depth) {
		return fmt.Errorf("depth %d: in OpenEXR it must be 16 (half) or 32 (float)", r.Depth)
	} else if !exr && !slices.Contains([]int{0, 8, 16}, r.Depth) {
		return fmt.Errorf("depth %d: it must be 8 or 16", r.Depth)
	} else if !exr && len(r.Layers) > 0 {
		return fmt.Errorf("layers %s: only OpenEXR has them (format exr)", strings.Join(r.Layers, ", "))
	}
	for _, l := range r.Layers {
		if err := oneOf("layer", l, "matte", "sigma"); err != nil {
			return err
		}
	}
	for _, name := range []string{r.Primaries, r.ColorPrimaries, r.BackgroundPrimaries} {
		if _, err := findPrimaries(name, plate.Primaries{}); err != nil {
			return err
		}
	}
	for _, c := range []struct{ plate, curve, transform string }{{"color", r.ColorCurve, r.ColorTransform}, {"band", r.BandCurve, r.BandTransform}, {"background", r.BackgroundCurve, r.BackgroundTransform}} {
		if c.transform != "" && c.curve != "" && c.curve != plate.Linear.Name() {
			return fmt.Errorf("%s_transform %s and %[1]s_curve %[3]s: the transform makes linear light by itself: give one of the two", c.plate, c.transform, c.curve)
		}
	}
	switch {
	case r.OutputTransform == "":
	case r.OutputCurve != "":
		return fmt.Errorf("output_transform %s and output_curve %s: the transform makes the code values by itself: give one of the two", r.OutputTransform, r.OutputCurve)
	case r.Format == "exr":
		return fmt.Errorf("output_transform %s with format exr: OpenEXR is linear light: write png or tiff, or leave the transform away", r.OutputTransform)
	}
	if !(r.Pedestal >= 0 && r.Pedestal < 1) {
		return fmt.Errorf("pedestal %v: it must be the level of black as a part of full scale, 0 to 1", r.Pedestal)
	}
	if err := cmp.Or(r.Limits.Check(), r.checkOperator(), r.Fit.Check()); err != nil {
		return err
	}
	if r.FitEnd != nil {
		if err := r.FitEnd.Check(); err != nil {
			return fmt.Errorf("fit_end: %w", err)
		}
	}
	if err := r.ForegroundGrade.Check(); err != nil {
		return fmt.Errorf("foreground_grade: %w", err)
	}
	if err := r.BackgroundGrade.Check(); err != nil {
		return fmt.Errorf("background_grade: %w", err)
	}
	_, err := matte.NewRegions(1, 1, r.Regions)
	return err
}

// oneOf returns an error that names the field, unless it is empty or one of these.
func oneOf(field, is string, these ...string) error {
	if is == "" || slices.Contains(these, is) {
		return nil
	}
	last := len(these) - 1
	return fmt.Errorf("%s %q: it must be %s or %s", field, is, strings.Join(these[:last], ", "), these[last])
}

// checkOperator is Check for the operator: what needs no take is refused.
func (r *Recipe) checkOperator() error {
	op := r.Operator
	if _, err := op.MarshalText(); err != nil {
		return err
	}
	switch op {
	case composite.AOverB:
		return nil
	case composite.Clear:
		return fmt.Errorf("operator %q leaves nothing", op)
	case composite.OnlyA:
		return fmt.Errorf("operator %q is the performer alone: write foreground instead", op)
	case composite.OnlyB:
		return fmt.Errorf("operator %q is the background as it is: the performer has no part in it", op)
	}
	if r.Background == "" {
		return fmt.Errorf("operator %q joins the performer and a background, and no background is given", op)
	}
	return nil
}

// ReadRegions reads a JSON file of regions: a list of them, or any object, such as a recipe, that
// has one under "regions".
func ReadRegions(path string) ([]matte.Region, error) {
	data, err := readSmall(path)
	if err != nil {
		return nil, err
	}
	var wrapped struct {
		Regions []matte.Region `json:"regions"`
	}
	if bytes.HasPrefix(bytes.TrimSpace(data), []byte("[")) {
		err = json.Unmarshal(data, &wrapped.Regions)
	} else {
		err = json.Unmarshal(data, &wrapped)
	}
	switch {
	case err != nil:
		return nil, fmt.Errorf("%s: no list of regions: %w", path, describe(err, data))
	case len(wrapped.Regions) == 0:
		return nil, fmt.Errorf("%s: there is no region in it", path)
	}
	if _, err := matte.NewRegions(1, 1, wrapped.Regions); err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return wrapped.Regions, nil
}

// needsNoise reports whether the cameras' noise must be known.
func (r *Recipe) needsNoise() bool {
	return r.Tidy || slices.Contains(r.Write, "sigma") || slices.Contains(r.Layers, "sigma")
}

// Paths returns the fields that name files, for making them absolute or relative.
func (r *Recipe) Paths() []*string {
	p := []*string{&r.Color, &r.Band, &r.Background, &r.CleanColor, &r.CleanBand, &r.DarkColor, &r.DarkBand, &r.FlatColor, &r.FlatBand, &r.Geometry.File}
	return append(p, r.colorFiles()...)
}

// colorFiles are those of the fields of curves and transforms that name files.
func (r *Recipe) colorFiles() []*string {
	p := []*string{&r.ColorTransform, &r.BandTransform, &r.BackgroundTransform, &r.OutputTransform}
	for _, c := range []*string{&r.ColorCurve, &r.BandCurve, &r.BackgroundCurve, &r.OutputCurve} {
		if strings.EqualFold(filepath.Ext(*c), ".csv") {
			p = append(p, c)
		}
	}
	return p
}

// ReadRecipe reads a recipe file. The paths in the result are relative to the working folder or
// absolute. An error names the file and the field; a recipe of a later version is refused.
func ReadRecipe(path string) (Recipe, error) {
	var r Recipe
	data, err := readSmall(path)
	if err != nil {
		return r, err
	}
	// A later version may have fields that this one does not know, so its number is looked at
	// first.
	var head struct {
		Version *int `json:"version"`
	}
	if err := json.Unmarshal(data, &head); err != nil {
		return r, fmt.Errorf("%s: not a recipe: %w", path, describe(err, data))
	}
	if head.Version == nil {
		return r, fmt.Errorf("%s: not a recipe: it has no \"version\"; this program writes %d", path, RecipeVersion)
	}
	if *head.Version > RecipeVersion {
		return r, fmt.Errorf("%s: %w", path, Recipe{Version: *head.Version}.Check())
	}
	if err := objects.Strict(data, &r); err != nil {
		return r, fmt.Errorf("%s: %w", path, describe(err, data))
	}
	if err := r.Check(); err != nil {
		return r, fmt.Errorf("%s: %w", path, err)
	}
	if *head.Version < 2 && r.Beyond == "" {
		r.Beyond = "keep"
	}
	objects.Resolve(path, r.Paths())
	return r, nil
}

// describe gives the line of a syntax error, and names the recipe's fields where one is unknown.
func describe(err error, data []byte) error {
	if strings.Contains(err.Error(), "unknown field") {
		var names []string
		for f := range reflect.TypeFor[Recipe]().Fields() {
			name, _, _ := strings.Cut(f.Tag.Get("json"), ",")
			names = append(names, name)
		}
		return fmt.Errorf("%s; a recipe's fields are %s", beginning(err), strings.Join(names, ", "))
	}
	return objects.Line(err, data)
}

// beginning cuts what an error quotes of a file to 16 bytes: the file may be none that was meant.
func beginning(err error) string {
	const most = 16
	before, quoted, _ := strings.Cut(err.Error(), "\"")
	quoted, ok := strings.CutSuffix(quoted, "\"")
	if !ok {
		return err.Error()
	}
	return fmt.Sprintf("%s%.*q", before, most, quoted)
}

// Save writes the recipe to a file, whole or not at all. Paths are written relative to the file's
// folder where they can be.
func (r Recipe) Save(path string) error {
	r.Version = RecipeVersion
	return objects.Save(path, &r, r.Paths())
}
