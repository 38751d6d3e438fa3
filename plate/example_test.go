package plate_test

import (
	"errors"
	"fmt"
	"image"
	"image/color"
	"io"
	"io/fs"
	"os"
	"path/filepath"

	"example.com/twinplate/plate"
	"example.com/twinplate/plate/exr"
)

func ExampleCurve() {
	for _, c := range plate.Curves() {
		fmt.Printf("%-8s half code is light of %.4f, 18 %% gray is code %.4f\n", c.Name(), c.ToLinear(0.5), c.FromLinear(0.18))
	}
	// Output:
	// linear   half code is light of 0.5000, 18 % gray is code 0.1800
	// srgb     half code is light of 0.2140, 18 % gray is code 0.4614
	// bt709    half code is light of 0.2597, 18 % gray is code 0.4088
	// bt1886   half code is light of 0.1895, 18 % gray is code 0.4894
	// hlg      half code is light of 0.0833, 18 % gray is code 0.6724
	// pq       half code is light of 0.0092, 18 % gray is code 0.8159
	// acescct  half code is light of 0.5141, 18 % gray is code 0.4136
	// density10 half code is light of 0.2560, 18 % gray is code 0.4573
	// logc3    half code is light of 0.5134, 18 % gray is code 0.3910
	// logc4    half code is light of 2.2050, 18 % gray is code 0.2784
	// slog3    half code is light of 0.4153, 18 % gray is code 0.4106
	// vlog     half code is light of 0.3833, 18 % gray is code 0.4233
	// clog2    half code is light of 0.4921, 18 % gray is code 0.3983
	// clog3    half code is light of 0.5808, 18 % gray is code 0.3434
	// log3g10  half code is light of 1.0707, 18 % gray is code 0.3333
	// film5    half code is light of 0.7025, 18 % gray is code 0.3836
	// nlog     half code is light of 0.4884, 18 % gray is code 0.3637
	// flog     half code is light of 0.2415, 18 % gray is code 0.4593
	// flog2    half code is light of 0.5216, 18 % gray is code 0.3910
	// dlog     half code is light of 0.4625, 18 % gray is code 0.3988
	// llog     half code is light of 0.3190, 18 % gray is code 0.4353
	// applelog half code is light of 0.1989, 18 % gray is code 0.4883
}

func ExampleCurveByName() {
	c, err := plate.CurveByName("sRGB")
	fmt.Println(c.Name(), err)
	_, err = plate.CurveByName("srbg")
	fmt.Println(err)
	// Output:
	// srgb <nil>
	// unknown transfer curve "srbg": did you mean "srgb"? known: linear, srgb, bt709, bt1886, hlg, pq, acescct, density10, logc3, logc4, slog3, vlog, clog2, clog3, log3g10, film5, nlog, flog, flog2, dlog, llog, applelog
}

func ExampleReadCurve() {
	c, err := plate.ReadCurve("../testdata/plate/sensor10.csv")
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%s: black is code %.0f, and code 652 is light of %.2f\n", c.Name(), 1023*c.FromLinear(0), c.ToLinear(652.0/1023))
	// Output: sensor10.csv: black is code 64, and code 652 is light of 0.35
}

func ExampleCodedBy() {
	c := plate.CodedBy("look.clf")
	fmt.Println(c.Name(), c.FromLinear(0.5))
	// Output: coded by look.clf 0.5
}

func ExampleFindCurve() {
	for _, name := range []string{"pq", "../testdata/plate/sensor10.csv"} {
		c, err := plate.FindCurve(name)
		fmt.Println(c.Name(), err)
	}
	// Output:
	// pq <nil>
	// sensor10.csv <nil>
}

// Alpha is multiplied in after decoding, in linear light.
func ExampleFromImage() {
	m := image.NewNRGBA(image.Rect(0, 0, 1, 1))
	m.SetNRGBA(0, 0, color.NRGBA{R: 255, G: 188, A: 128})
	f := plate.FromImage(m, plate.SRGB)
	fmt.Printf("%.3f %.3f %.3f, alpha %.3f\n", f.Pix[0][0], f.Pix[1][0], f.Pix[2][0], f.A[0])
	// Output: 0.502 0.252 0.000, alpha 0.502
}

// A band plate from a color sensor: the line is in its red and green channels, and blue would add only noise.
func ExampleGrayFromImage() {
	m := image.NewRGBA(image.Rect(0, 0, 1, 1))
	m.SetRGBA(0, 0, color.RGBA{R: 200, G: 100, B: 9, A: 255})
	f := plate.GrayFromImage(m, plate.Linear, &[3]float32{0.7, 0.3, 0})
	fmt.Printf("%.3f\n", f.Pix[0])
	// Output: 0.667
}

func ExampleRGBFromImage() {
	m := image.NewGray(image.Rect(0, 0, 2, 1))
	m.SetGray(1, 0, color.Gray{Y: 128})
	f := plate.RGBFromImage(m, plate.SRGB)
	fmt.Printf("%.3f\n", f.Pix)
	// Output: [[0.000 0.216] [0.000 0.216] [0.000 0.216]]
}

func ExampleEncode() {
	f := plate.NewGray(3, 1)
	copy(f.Pix, []float32{-0.1, 0.18, 3})
	fmt.Println(plate.Encode(f, plate.SRGB, 8).(*image.Gray).Pix)
	// Output: [0 118 255]
}

func ExampleEncoder() {
	e := plate.NewEncoder(plate.PQ, 16)
	for _, nits := range []float32{0, 100, 203, 1000, 10000} {
		fmt.Println(nits, e.Code(nits/10000))
	}
	// Output:
	// 0 0
	// 100 33297
	// 203 38055
	// 1000 49271
	// 10000 65535
}

// One frame of the gray clip of two by two pixels that a program of video has handed over.
func ExampleVideoFrame() {
	m, err := plate.VideoFrame(2, 2, "Cmono XCOLORRANGE=LIMITED", []byte{16, 235, 126, 16})
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, v := range plate.GrayFromImage(m, plate.Linear, nil).Pix {
		fmt.Printf("%.3f ", v)
	}
	// Output: 0.000 1.000 0.502 0.000
}

func ExampleWrite() {
	dir, err := os.MkdirTemp("", "plate")
	if err != nil {
		fmt.Println(err)
		return
	}
	defer os.RemoveAll(dir)
	path := filepath.Join(dir, "0001.png")

	f := plate.NewRGB(64, 36)
	f.Fill(0.18, 0.5, 1.5) // brighter than the file can hold
	if err := plate.Write(path, f, &plate.WriteOptions{Curve: plate.BT709}); err != nil {
		fmt.Println(err)
		return
	}
	info, err := plate.Probe(path)
	fmt.Printf("%+v %v\n", info, err)
	g, err := plate.ReadRGB(path, plate.BT709, nil)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.4f %.4f %.4f\n", g.Pix[0][0], g.Pix[1][0], g.Pix[2][0])
	// Output:
	// {W:64 H:36 Format:png Depth:16 Color:true Alpha:false Curve:bt709 Primaries:bt709} <nil>
	// 0.1800 0.5000 1.0000
}

func ExamplePicture_Rows() {
	dir, err := os.MkdirTemp("", "plate")
	if err != nil {
		fmt.Println(err)
		return
	}
	defer os.RemoveAll(dir)
	path := filepath.Join(dir, "0001.png")
	f := plate.NewRGB(64, 36)
	f.Fill(0.18, 0.5, 1)
	if err := plate.Write(path, f, &plate.WriteOptions{Curve: plate.BT709}); err != nil {
		fmt.Println(err)
		return
	}

	picture, err := plate.Disk{}.Open(path)
	if err != nil {
		fmt.Println(err)
		return
	}
	defer picture.Close()
	rows, err := picture.Rows(plate.BT709)
	if err != nil {
		fmt.Println(err)
		return
	}
	size := picture.Size()
	row := plate.NewRGB(size.X, 1).Row(0)
	var red float64
	for range size.Y {
		if err := rows.Next(row); err != nil {
			fmt.Println(err)
			return
		}
		for _, v := range row[0] {
			red += float64(v)
		}
	}
	fmt.Printf("%v, red %.3f in the mean\n", size, red/float64(size.X*size.Y))
	// Output: (64,36), red 0.180 in the mean
}

func ExampleReadImage() {
	_, err := plate.ReadImage("nowhere.png", &plate.ReadLimits{MaxPixels: 1 << 24})
	fmt.Println(errors.Is(err, fs.ErrNotExist))
	_, err = plate.ReadImage("../testdata/plate/sensor10.csv", nil)
	fmt.Println(err)
	// Output:
	// true
	// ../testdata/plate/sensor10.csv: not a picture that can be read (PNG, TIFF, JPEG, WebP, YUV4MPEG2, OpenEXR, DPX, PGM or PPM): it begins with "# A meas"
}

func ExampleWriteAtomic() {
	dir, err := os.MkdirTemp("", "plate")
	if err != nil {
		fmt.Println(err)
		return
	}
	defer os.RemoveAll(dir)
	path := filepath.Join(dir, "notes.txt")
	err = plate.WriteAtomic(path, func(w io.Writer) error {
		_, err := fmt.Fprintln(w, "lamps warm after 12 minutes")
		return err
	})
	if err != nil {
		fmt.Println(err)
		return
	}
	text, err := os.ReadFile(path)
	fmt.Printf("%s%v\n", text, err)
	// Output:
	// lamps warm after 12 minutes
	// <nil>
}

func ExampleRGB_CheckFinite() {
	f := plate.NewRGB(4, 3)
	zero := float32(0)
	f.Pix[2][6] = 1 / zero
	fmt.Println(f.CheckFinite())
	// Output: blue at pixel (2, 1) is +Inf, and must be a finite number
}

// A matte and the error of its values travel in the same file as the foreground.
func ExampleWrite_openEXR() {
	dir, err := os.MkdirTemp("", "")
	if err != nil {
		fmt.Println(err)
		return
	}
	defer os.RemoveAll(dir)
	foreground, matte := plate.NewRGBA(64, 36), plate.NewGray(64, 36)
	path := filepath.Join(dir, "0001.exr")
	err = plate.Write(path, foreground, &plate.WriteOptions{
		Primaries: plate.PrimariesAP1,
		FrameRate: [2]int{24, 1},
		TimeCode:  &exr.TimeCode{Hours: 10, Frame: 1},
		Layers:    []plate.DataLayer{{Name: "matte", Frame: matte}},
	})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(plate.Probe(path))
	// Output: {64 36 exr 16 true true linear ap1} <nil>
}

// One frame of video, as a decoder in the browser hands it over.
func ExampleDecode() {
	file := "YUV4MPEG2 W2 H2 C420mpeg2 XMATRIX=BT709\nFRAME\n" + "\x10\x7e\xeb\xeb" + "\x80" + "\x80"
	m, info, err := plate.Decode([]byte(file), nil)
	if err != nil {
		fmt.Println(err)
		return
	}
	f := plate.RGBFromImage(m, plate.Linear)
	fmt.Printf("%s, %d bits: %.3f\n", info.Format, info.Depth, f.Pix[0])
	// Output: y4m, 8 bits: [0.000 0.502 1.000 1.000]
}

func ExampleExtensions() {
	fmt.Println(plate.Extensions())
	// Output: [.png .tif .tiff .jpg .jpeg .webp .y4m .exr .dpx .pgm .ppm .pnm]
}

func ExamplePrimariesByName() {
	p, _ := plate.PrimariesByName("BT2020")
	fmt.Println(p.Red, p)
	_, err := plate.PrimariesByName("bt2000")
	fmt.Println(err)
	// Output:
	// [0.708 0.292] bt2020
	// unknown primaries "bt2000"; known: bt709, bt2020, p3-d65, ap1, awg3, awg4, sgamut3, sgamut3cine, vgamut, cgamut, rwg, bwg5, dgamut
}

// What a camera of small crews records, turned into light.
func ExampleInvert() {
	filter := [9]float64{0.8, 0, 0, 0, 0.5, 0, 0, 0, 1} // takes a fifth of red and half of green
	back := plate.Invert(filter)
	fmt.Println(back[0], back[4], back[8])
	// Output: 1.25 2 1
}

func ExampleCameraByName() {
	c, err := plate.CameraByName("slog3-sgamut3cine")
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("code 420 of 1023 is light of %.2f, red is at %v\n", c.Curve.ToLinear(420./1023), c.Primaries.Red)
	_, err = plate.CameraByName("slog3")
	fmt.Println(err)
	// Output:
	// code 420 of 1023 is light of 0.18, red is at [0.766 0.275]
	// camera "slog3" has more than one set of primaries: slog3-sgamut3 or slog3-sgamut3cine
}

func ExampleDecodedLines() {
	// Whoever has a decoder of their own, as a browser has, hands on its lines.
	line := []byte{0, 128, 255}
	picture := plate.DecodedLines("0001.png", plate.Info{W: 3, H: 1, Depth: 8}, false, func() ([]byte, error) { return line, nil })
	f, err := picture.Gray(nil, plate.Linear, nil)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.3f\n", f.Pix)
	// Output: [0.000 0.502 1.000]
}

func ExampleDecodedPicture() {
	m := image.NewGray16(image.Rect(0, 0, 2, 1))
	m.SetGray16(1, 0, color.Gray16{Y: 0xffff})
	picture := plate.DecodedPicture("take.mov#0", plate.Info{W: 2, H: 1, Depth: 16}, func() (image.Image, error) { return m, nil })
	f, err := picture.RGB(nil, plate.SRGB)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(f.Pix[1])
	// Output: [0 1]
}

// Memory that a picture was decoded into may be used again once its light is there.
func ExamplePicture_Lent() {
	m := image.NewGray(image.Rect(0, 0, 2, 1))
	picture := plate.DecodedPicture("take.mov#0", plate.Info{W: 2, H: 1, Depth: 8}, func() (image.Image, error) { return m, nil }).
		Lent(func() { fmt.Println("given back") })
	f, err := picture.Gray(nil, plate.SRGB, nil)
	if err != nil {
		fmt.Println(err)
		return
	}
	picture.Close()
	fmt.Println(f.Pix)
	// Output:
	// given back
	// [0 0]
}

func ExamplePicture_Reduced() {
	p := plate.DecodedPicture("plate", plate.Info{W: 1920, H: 1080}, func() (image.Image, error) { return plate.NewRGB(1920, 1080), nil })
	f, err := p.Reduced(4).RGB(nil, plate.SRGB)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(f.W, f.H)
	// Output: 480 270
}
