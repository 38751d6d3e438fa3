package exr_test

import (
	"bytes"
	"fmt"
	"image"

	"example.com/twinplate/plate/exr"
)

func ExampleEncode() {
	m := &exr.Image{
		Data: image.Rect(0, 0, 2, 1),
		Channels: []exr.Channel{
			{Name: "Y", Type: exr.Half, Float: []float32{0.18, 4}},
			{Name: "matte.A", Type: exr.Half, Float: []float32{0, 1}},
		},
		Attributes: []exr.Attribute{
			exr.FramesPerSecond(24000, 1001),
			exr.TimeCode{Hours: 1, Seconds: 12, Frame: 3}.Attribute(),
		},
	}
	var file bytes.Buffer
	if err := exr.Encode(&file, m, &exr.EncodeOptions{Compression: exr.ZIP}); err != nil {
		fmt.Println(err)
		return
	}
	back, err := exr.Decode(bytes.NewReader(file.Bytes()), int64(file.Len()), nil)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(back.Channel("Y").Float, back.Layers(), back.Channel("matte.A").Float)
	fmt.Println(back.FramesPerSecond())
	fmt.Println(back.TimeCode())
	// Output:
	// [0.18005371 4] [matte] [0 1]
	// 24000 1001 true
	// {1 0 12 3 false} true
}

// Only the channels that are wanted take memory.
func ExampleDecode() {
	m := &exr.Image{Data: image.Rect(0, 0, 1, 1), Channels: []exr.Channel{
		{Name: "R", Type: exr.Float, Float: []float32{1}}, {Name: "Z", Type: exr.Uint, Uint: []uint32{7}},
	}}
	var file bytes.Buffer
	if err := exr.Encode(&file, m, nil); err != nil {
		fmt.Println(err)
		return
	}
	size := int64(file.Len())
	head, _ := exr.DecodeHeader(bytes.NewReader(file.Bytes()), size)
	fmt.Println(len(head.Channels), head.Channels[1].Type, head.Data)
	part, _ := exr.Decode(bytes.NewReader(file.Bytes()), size, &exr.DecodeOptions{Channels: []string{"Z"}})
	fmt.Println(len(part.Channels), part.Channel("Z").Uint)
	// Output:
	// 2 uint (0,0)-(1,1)
	// 1 [7]
}

func ExampleImage_RGB() {
	m := &exr.Image{Data: image.Rect(0, 0, 2, 2), Channels: []exr.Channel{
		{Name: "BY", Type: exr.Half, Step: image.Pt(2, 2), Float: []float32{0.5}},
		{Name: "RY", Type: exr.Half, Step: image.Pt(2, 2), Float: []float32{-0.5}},
		{Name: "Y", Type: exr.Half, Float: []float32{0.5, 0.5, 0.5, 0.5}},
	}}
	if err := m.RGB([3]float64{0.2126, 0.7152, 0.0722}); err != nil { // of ITU-R BT.709
		fmt.Println(err)
		return
	}
	fmt.Printf("%.3f %.3f %.3f\n", m.Channel("R").Float[0], m.Channel("G").Float[0], m.Channel("B").Float[0])
	// Output: 0.250 0.549 0.750
}
