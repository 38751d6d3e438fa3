package plate_test

import (
	"errors"
	"fmt"
	"image"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"example.com/twinplate/plate"
	"example.com/twinplate/plate/exr"
)

func ExampleInfo_Conflict() {
	info := plate.Info{Format: "png", Curve: "srgb", Primaries: plate.PrimariesBT709}
	fmt.Printf("%q\n", info.Conflict(plate.SRGB, plate.Primaries{}))
	fmt.Println(info.Conflict(plate.ACEScct, plate.PrimariesAP1))
	// Output:
	// ""
	// its tags say that its transfer curve is srgb, and it is read as acescct; its tags say that its primaries are bt709, and it is read as ap1
}

// What is written states its curve and its primaries, and Probe finds what was stated.
func TestTagsThereAndBack(t *testing.T) {
	dir := t.TempDir()
	gray, rgb, rgba := plate.NewGray(3, 2), plate.NewRGB(3, 2), plate.NewRGBA(3, 2)
	for _, extension := range []string{".png", ".tif"} {
		for _, c := range plate.Curves() {
			for _, p := range []plate.Primaries{{}, plate.PrimariesBT709, plate.PrimariesBT2020, plate.PrimariesP3D65, plate.PrimariesAP1} {
				for _, frame := range []image.Image{gray, rgb, rgba} {
					path := filepath.Join(dir, "a"+extension)
					if err := plate.Write(path, frame, &plate.WriteOptions{Curve: c, Primaries: p, Depth: 8}); err != nil {
						t.Fatal(err)
					}
					info, err := plate.Probe(path)
					if err != nil {
						t.Fatal(err)
					}
					want := p
					switch {
					case frame == image.Image(gray):
						want = plate.Primaries{}
					case p == plate.Primaries{}:
						want = plate.PrimariesBT709
					}
					if info.Curve != c.Name() || info.Primaries.String() != want.String() {
						t.Errorf("%s, %s, %v, %T: found %q, %v", extension, c.Name(), p, frame, info.Curve, info.Primaries)
					}
					if s := info.Conflict(c, want); s != "" {
						t.Errorf("%s, %s, %v: %s", extension, c.Name(), p, s)
					}
				}
			}
		}
	}
}

func TestConflict(t *testing.T) {
	for _, row := range []struct {
		what string
		info plate.Info
		c    plate.Curve
		p    plate.Primaries
		want string
	}{
		{"nothing said", plate.Info{Format: "png"}, plate.HLG, plate.PrimariesBT2020, ""},
		{"the power that stands for sRGB", plate.Info{Curve: "gamma 2.2"}, plate.SRGB, plate.PrimariesBT709, ""},
		{"a power", plate.Info{Curve: "gamma 1.8"}, plate.SRGB, plate.Primaries{}, "its tags say that its transfer curve is gamma 1.8, and it is read as srgb"},
		{"OpenEXR", plate.Info{Format: "exr", Curve: "linear"}, plate.BT709, plate.Primaries{}, "an OpenEXR file's light is linear, and it is not read as bt709"},
		{"OpenEXR, linear", plate.Info{Format: "exr", Curve: "linear"}, plate.Linear, plate.Primaries{}, ""},
		{"primaries", plate.Info{Primaries: plate.PrimariesAP1}, plate.SRGB, plate.PrimariesBT709, "its tags say that its primaries are ap1, and it is read as bt709"},
	} {
		if got := row.info.Conflict(row.c, row.p); got != row.want {
			t.Errorf("%s: %q, want %q", row.what, got, row.want)
		}
	}
}

// An OpenEXR file holds the frame to half or float, its layers, and what the options state.
func TestWriteEXR(t *testing.T) {
	dir := t.TempDir()
	const w, h = 7, 5
	rgba, matte := plate.NewRGBA(w, h), plate.NewGray(w, h)
	for i := range matte.Pix {
		matte.Pix[i] = float32(i) / 64
		rgba.A[i] = 1 - matte.Pix[i]
		for c := range rgba.Pix {
			rgba.Pix[c][i] = float32(i*(c+1)-20) / 8 // also below 0 and above 1
		}
	}
	for _, depth := range []int{0, 16, 32} {
		for _, frame := range []image.Image{matte, &rgba.RGB, rgba} {
			path := filepath.Join(dir, "a.exr")
			opt := &plate.WriteOptions{Depth: depth, Primaries: plate.PrimariesAP1, FrameRate: [2]int{24000, 1001}, TimeCode: &exr.TimeCode{Hours: 10, Frame: 5},
				Layers: []plate.DataLayer{{Name: "matte", Frame: matte}, {Name: "sigma", Frame: matte}}}
			if err := plate.Write(path, frame, opt); err != nil {
				t.Fatal(err)
			}
			_, isGray := frame.(*plate.Gray)
			_, hasAlpha := frame.(*plate.RGBA)
			info, err := plate.Probe(path)
			want := plate.Info{W: w, H: h, Format: "exr", Depth: max(depth, 16), Color: !isGray, Alpha: hasAlpha, Curve: "linear"}
			if !isGray && info.Primaries.Name() != "ap1" {
				t.Errorf("primaries %v", info.Primaries)
			}
			if info.Primaries = (plate.Primaries{}); err != nil || info != want {
				t.Errorf("%+v, %v, want %+v", info, err, want)
			}
			// The curve is not applied, whichever is given.
			back, err := plate.ReadRGBA(path, plate.SRGB, nil)
			if err != nil {
				t.Fatal(err)
			}
			for i := range matte.Pix {
				r, a := rgba.Pix[0][i], rgba.A[i]
				if isGray {
					r = matte.Pix[i]
				}
				if !hasAlpha {
					a = 1
				}
				if back.Pix[0][i] != r || back.A[i] != a {
					t.Fatalf("%d bits, %T: pixel %d is %v with alpha %v, want %v and %v", depth, frame, i, back.Pix[0][i], back.A[i], r, a)
				}
			}
			b, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			m, err := exr.Decode(strings.NewReader(string(b)), int64(len(b)), nil)
			if err != nil {
				t.Fatal(err)
			}
			n, d, _ := m.FramesPerSecond()
			code, _ := m.TimeCode()
			if fmt.Sprint(m.Layers()) != "[matte sigma]" || fmt.Sprint(m.Channel("sigma.Y").Float) != fmt.Sprint(matte.Pix) || n != 24000 || d != 1001 || code != *opt.TimeCode {
				t.Errorf("layers %v, %d/%d, %v", m.Layers(), n, d, code)
			}
		}
	}
	// What is beyond a half float is cut off.
	bright := plate.NewGray(1, 1)
	bright.Fill(-1e6)
	if err := plate.Write(filepath.Join(dir, "a.exr"), bright, nil); err != nil {
		t.Fatal(err)
	}
	if f, err := plate.ReadGray(filepath.Join(dir, "a.exr"), plate.Linear, nil, nil); err != nil || f.Pix[0] != -65504 || bright.Pix[0] != -1e6 {
		t.Errorf("%v, %v", f, err)
	}
	for _, row := range []struct {
		what  string
		frame image.Image
		opt   plate.WriteOptions
		want  string
	}{
		{"a curve", matte, plate.WriteOptions{Curve: plate.SRGB}, "an OpenEXR file holds linear light, and the curve is srgb: it must be linear"},
		{"8 bits", matte, plate.WriteOptions{Depth: 8}, "a depth of 8 bits cannot be written as OpenEXR"},
		{"another picture", image.NewGray(image.Rect(0, 0, 1, 1)), plate.WriteOptions{}, "a *image.Gray cannot be written as OpenEXR"},
		{"a layer of another size", matte, plate.WriteOptions{Layers: []plate.DataLayer{{Name: "m", Frame: bright}}}, "the layer m is 1x1 pixels and the picture 7x5"},
		{"a layer without a name", matte, plate.WriteOptions{Layers: []plate.DataLayer{{Frame: matte}}}, "a layer must have a name and a frame"},
		{"two layers of a name", matte, plate.WriteOptions{Layers: []plate.DataLayer{{Name: "m", Frame: matte}, {Name: "m", Frame: matte}}}, `two channels are called "m.Y"`},
		{"no rate", matte, plate.WriteOptions{FrameRate: [2]int{24, 0}}, "a frame rate of 24/0"},
		{"no time", matte, plate.WriteOptions{TimeCode: &exr.TimeCode{Minutes: 60}}, "a time code with 60 minutes: 0 to 59 are possible"},
	} {
		path := filepath.Join(dir, "bad.exr")
		err := plate.Write(path, row.frame, &row.opt)
		var file *plate.FileError
		if !errors.As(err, &file) || !strings.HasPrefix(err.Error(), path+": "+row.want) {
			t.Errorf("%s: %v\nwant %s", row.what, err, row.want)
		}
	}
	if err := plate.Write(filepath.Join(dir, "a.png"), matte, &plate.WriteOptions{Layers: []plate.DataLayer{{Name: "m", Frame: matte}}}); err == nil || !strings.Contains(err.Error(), "only an OpenEXR file (.exr) has layers") {
		t.Errorf("layers in PNG: %v", err)
	}
	onlyFiles(t, dir, "a.exr")
}

// The display window is what is seen; pixels outside of it are left out, and there is nothing where there are none.
func TestReadEXRWindows(t *testing.T) {
	write := func(m *exr.Image) string {
		var b strings.Builder
		if err := exr.Encode(&b, m, nil); err != nil {
			t.Fatal(err)
		}
		return writeFile(t, "a.exr", b.String())
	}
	channel := func(name string, n int) exr.Channel {
		c := exr.Channel{Name: name, Type: exr.Float}
		for i := range n {
			c.Float = append(c.Float, float32(i+1))
		}
		return c
	}
	data, display := image.Rect(-1, 1, 2, 3), image.Rect(0, 0, 4, 2)
	f, err := plate.ReadGray(write(&exr.Image{Data: data, Display: display, Channels: []exr.Channel{channel("Y", 6)}}), plate.Linear, nil, nil)
	if err != nil || fmt.Sprint(f.Pix) != "[0 0 0 0 2 3 0 0]" {
		t.Errorf("%v, %v", f, err)
	}
	// One channel alone is the picture, whatever its name; a number of pixels outside is no danger.
	f, err = plate.ReadGray(write(&exr.Image{Data: data, Channels: []exr.Channel{{Name: "depth.Z", Type: exr.Uint, Uint: []uint32{1, 2, 3, 4, 5, 1 << 24}}}}), plate.SRGB, nil, &plate.ReadLimits{MaxPixels: 6})
	if err != nil || fmt.Sprint(f.Pix) != "[1 2 3 4 5 1.6777216e+07]" {
		t.Errorf("%v, %v", f, err)
	}
	for _, row := range []struct {
		what  string
		image *exr.Image
		want  string
	}{
		{"chroma", &exr.Image{Data: data, Channels: []exr.Channel{channel("BY", 6), channel("RY", 6), channel("Y", 6)}}, "channel RY of luminance and chroma is float with values at every 1 columns and 1 lines"},
		{"chroma of one", &exr.Image{Data: data, Channels: []exr.Channel{channel("RY", 6), channel("Y", 6)}}, "color as luminance and chroma without all of its channels"},
		{"layers only", &exr.Image{Data: data, Channels: []exr.Channel{channel("a.R", 6), channel("a.G", 6)}}, "no picture among its channels (a.G, a.R)"},
		{"every second value", &exr.Image{Data: image.Rect(0, 0, 2, 2), Channels: []exr.Channel{{Name: "Y", Type: exr.Half, Step: image.Pt(2, 1), Float: []float32{1, 2}}}}, "channel Y has values at every 2 columns and 1 lines only"},
		{"more than the limit", &exr.Image{Data: data, Display: image.Rect(0, 0, 100, 100), Channels: []exr.Channel{channel("Y", 6)}}, "100x100 pixels are more than the limit of 6"},
	} {
		path := write(row.image)
		if _, err := plate.ReadGray(path, plate.Linear, nil, &plate.ReadLimits{MaxPixels: 6}); err == nil || !strings.HasPrefix(err.Error(), path+": "+row.want) {
			t.Errorf("%s: %v\nwant %s", row.what, err, row.want)
		}
	}
}
