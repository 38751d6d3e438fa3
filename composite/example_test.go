package composite_test

import (
	"encoding/json"
	"fmt"

	"example.com/twinplate/composite"
	"example.com/twinplate/plate"
)

// Three pixels across the edge of a coat: the coat, half of each, and the background.
func ExampleHoldOut() {
	foreground, transmission, background := plate.NewRGB(3, 1), plate.NewGray(3, 1), plate.NewRGB(3, 1)
	copy(foreground.Pix[0], []float32{0.5, 0.25, 0}) // premultiplied, as it was photographed
	copy(transmission.Pix, []float32{0, 0.5, 1})
	background.Fill(0.125, 0.5, 0.25)

	out, err := composite.HoldOut(nil, foreground, transmission, background)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println("red: ", out.Pix[0])
	fmt.Println("green:", out.Pix[1])
	// Output:
	// red:  [0.5 0.3125 0.125]
	// green: [0 0.25 0.5]
}

// The background with its hole, to look at on its own.
func ExampleHeld() {
	transmission, background := plate.NewGray(3, 1), plate.NewRGB(3, 1)
	copy(transmission.Pix, []float32{0, 0.5, 1})
	background.Fill(0.5, 0.5, 0.5)

	held, err := composite.Held(nil, transmission, background)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(held.Pix[0])
	// Output: [0 0.25 0.5]
}

// A sheet of red glass in front of a solid green wall.
func ExampleCompose() {
	glass, wall := plate.NewRGBA(1, 1), plate.NewRGBA(1, 1)
	glass.Pix[0][0], glass.A[0] = 0.5, 0.5 // premultiplied
	wall.Pix[1][0], wall.A[0] = 1, 1

	for _, op := range []composite.Operator{composite.AOverB, composite.AInB, composite.BOutA, composite.Plus} {
		out, err := composite.Compose(nil, op, glass, wall)
		if err != nil {
			fmt.Println(err)
			return
		}
		fmt.Printf("%-8v  red %.1f, green %.1f, alpha %.1f\n", op, out.Pix[0][0], out.Pix[1][0], out.A[0])
	}
	// Output:
	// A over B  red 0.5, green 0.5, alpha 1.0
	// A in B    red 0.5, green 0.0, alpha 0.5
	// B out A   red 0.0, green 0.5, alpha 0.5
	// plus      red 0.5, green 1.0, alpha 1.0
}

// How much of A and of B is seen where A half covers the pixel and B covers it all.
func ExampleOperator_Factors() {
	fa, fb := composite.AOverB.Factors(0.5, 1)
	fmt.Println(fa, fb)
	// Output: 1 0.5
}

func ExampleParseOperator() {
	for _, name := range []string{"A over B", "source-over", "atop", "over under"} {
		op, err := composite.ParseOperator(name)
		if err != nil {
			fmt.Println(err)
			continue
		}
		fmt.Println(op)
	}
	// Output:
	// A over B
	// A over B
	// A atop B
	// composite: there is no operator called "over under": did you mean "over"?
}

// A cross-dissolve: one picture a quarter gone, the other a quarter there.
func ExampleDissolve() {
	day, night := plate.NewRGBA(1, 1), plate.NewRGBA(1, 1)
	day.Pix[0][0], day.A[0] = 1, 1
	night.Pix[2][0], night.A[0] = 1, 1

	day, err := composite.Dissolve(nil, day, 0.75)
	if err != nil {
		fmt.Println(err)
		return
	}
	night, err = composite.Dissolve(nil, night, 0.25)
	if err != nil {
		fmt.Println(err)
		return
	}
	out, err := composite.Compose(nil, composite.Plus, day, night)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(out.Pix[0][0], out.Pix[2][0], out.A[0])
	// Output: 0.75 0.25 1
}

// Two ways to dim a solid white card by half: to black, and to a light that hides nothing.
func ExampleDarken() {
	card := plate.NewRGBA(1, 1)
	card.Fill(1, 1, 1)
	card.A[0] = 1

	dark, err := composite.Darken(nil, card, 0.5)
	if err != nil {
		fmt.Println(err)
		return
	}
	light, err := composite.Opaque(nil, dark, 0)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println("darkened:", dark.Pix[0][0], "alpha", dark.A[0])
	fmt.Println("not opaque:", light.Pix[0][0], "alpha", light.A[0])
	// Output:
	// darkened: 0.5 alpha 1
	// not opaque: 0.5 alpha 0
}

func ExampleOpaque() {
	flame := plate.NewRGBA(1, 1)
	flame.Fill(4, 2, 0.5)
	flame.A[0] = 1

	glow, err := composite.Opaque(nil, flame, 0) // adds its light and hides nothing
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(glow.Pix[0][0], glow.A[0])
	// Output: 4 0
}

// Fog behind the performer, and a lamp's glare in front.
func ExampleStack() {
	background, foreground, transmission := plate.NewRGB(1, 1), plate.NewRGB(1, 1), plate.NewGray(1, 1)
	background.Fill(0, 0.5, 0.5)
	foreground.Fill(0.25, 0, 0)
	transmission.Fill(0.5)

	fog := plate.NewRGBA(1, 1)
	fog.Fill(0.25, 0.25, 0.25)
	fog.A[0] = 0.5
	glare := plate.NewRGBA(1, 1)
	glare.Fill(1, 0.5, 0)

	out, err := composite.Stack(background, []composite.Layer{{Frame: fog}}, foreground, transmission,
		[]composite.Layer{{Frame: glare, Operator: composite.Plus, Fade: 0.5}})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(out.Pix[0][0], out.Pix[1][0], out.Pix[2][0])
	// Output: 0.875 0.5 0.25
}

// A background of twice the height, cropped to the frame and moved up to show its lower part.
func ExampleNewFitter() {
	background := plate.NewRGB(2, 4)
	copy(background.Pix[0], []float32{1, 1, 2, 2, 3, 3, 4, 4})

	fitter, err := composite.NewFitter(2, 4, 2, 2, composite.Fit{OffsetY: -0.5})
	if err != nil {
		fmt.Println(err)
		return
	}
	frame, err := fitter.RGB(nil, background) // and so on, for every frame of the background
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(frame.Pix[0])
	// Output: [3 3 4 4]
}

// A picture twice as large as the frame, of which no frame is stored: its rows go by.
func ExampleFitted() {
	fitter, err := composite.NewFitter(4, 4, 2, 2, composite.Fit{})
	if err != nil {
		fmt.Println(err)
		return
	}
	picture := plate.NewRGB(4, 4)
	picture.Fill(0.25, 0.5, 1)

	var fitted composite.Fitted
	if err := fitted.Begin(fitter, picture); err != nil {
		fmt.Println(err)
		return
	}
	for y := range 2 {
		fmt.Printf("%.2f\n", fitted.Row(y))
	}
	// Output:
	// [[0.25 0.25] [0.50 0.50] [1.00 1.00]]
	// [[0.25 0.25] [0.50 0.50] [1.00 1.00]]
}

// A Fit in a recipe.
func ExampleFit() {
	var fit composite.Fit
	if err := json.Unmarshal([]byte(`{"mode": "inside", "scale": 0.9}`), &fit); err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(fit.Mode, fit.Scale)

	err := json.Unmarshal([]byte(`{"mode": "insde"}`), &fit)
	fmt.Println(err)
	// Output:
	// inside 0.9
	// composite: there is no fit mode called "insde": did you mean "inside"? known: fill, inside, stretch, none
}

// A picture that is three quarters of the frame: where the middle of the frame's upper left quarter
// is in it.
func ExampleFit_Picture() {
	m := composite.Fit{Mode: composite.Stretch, Scale: 0.75}.Picture(400, 300, 1920, 1080)
	x, y := 0.25, 0.25
	fmt.Printf("%.3f %.3f\n", m[0]*x+m[1]*y+m[2], m[3]*x+m[4]*y+m[5])
	// Output: 0.167 0.167
}

// A picture half as wide as the frame leaves its sides open.
func ExampleFitter_Coverage() {
	fitter, err := composite.NewFitter(2, 1, 4, 1, composite.Fit{Mode: composite.None})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(fitter.Coverage().Pix)
	// Output: [0 1 1 0]
}

// A warmer, brighter performer; the same numbers as a CDL for other programs.
func ExampleGrade() {
	grade := composite.Grade{Exposure: 0.5, Balance: &[3]float64{1.1, 1, 0.9}, Contrast: 1.2}
	grader, err := composite.NewGrader(grade)
	if err != nil {
		fmt.Println(err)
		return
	}
	foreground, transmission := plate.NewRGB(2, 1), plate.NewGray(2, 1)
	foreground.Fill(0.18, 0.18, 0.18)
	copy(transmission.Pix, []float32{0, 0.5}) // the second is half a pixel of something twice as bright
	if err := grader.Foreground(foreground, transmission); err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.3f %.3f %.3f\n", foreground.Pix[0][0], foreground.Pix[1][0], foreground.Pix[2][0])
	cdl, err := grade.ToCDL()
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("slope %.3f power %.3f\n", cdl.Slope, cdl.Power)
	// Output:
	// 0.306 0.273 0.240
	// slope [2.070 1.882 1.694] power [1.200 1.200 1.200]
}

// A still that drifts: halfway between where it begins and where it ends.
func ExampleFit_Toward() {
	begin, end := composite.Fit{}, composite.Fit{Scale: 1.21, OffsetX: -0.04}
	half := begin.Toward(end, 0.5)
	fmt.Printf("%.2f times, moved by %.2f\n", half.Scale, half.OffsetX)
	// Output: 1.10 times, moved by -0.02
}

// A card that tungsten light has made orange becomes gray of the same luminance.
func ExampleGrade_Neutralize() {
	f := plate.NewRGB(8, 8)
	f.Fill(0.3, 0.18, 0.06)
	mean, err := composite.Card{Left: 0.25, Top: 0.25, Right: 0.75, Bottom: 0.75}.Mean(f)
	if err != nil {
		fmt.Println(err)
		return
	}
	var grade composite.Grade
	if err := grade.Neutralize(mean, plate.PrimariesBT709); err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.2f\n", *grade.Balance)
	// Output: [0.66 1.09 3.28]
}

// What is palest in a picture of a gray wall in warm light and a red door.
func ExampleNeutral() {
	f := plate.NewRGB(10, 1)
	f.Fill(0.22, 0.2, 0.18)
	f.Pix[0][0], f.Pix[1][0], f.Pix[2][0] = 0.5, 0.1, 0.1
	gray, ok := composite.Neutral(f, nil)
	fmt.Printf("%.2f %v\n", gray, ok)
	// Output: [1.08 0.99 0.89] true
}
