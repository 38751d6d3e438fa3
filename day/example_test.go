package day_test

import (
	"context"
	"fmt"
	"log"

	"example.com/twinplate/day"
	"example.com/twinplate/take"
)

// The takes of a day are chosen by their names.
func ExampleDay_Choose() {
	d := &day.Day{Version: day.Version, Pairs: []*day.ClipPair{
		{Name: "clean01", Kind: day.Clean, Color: "A/C001.mov", Band: "B/D001.mov"},
		{Name: "take01", Kind: day.Take, Color: "A/C002.mov", Band: "B/D002.mov"},
		{Name: "take02", Kind: day.Take, Color: "A/C003.mov", Band: "B/D003.mov"},
		{Name: "take03", Kind: day.Take, Color: "A/C004.mov", Band: "B/D004.mov"},
	}}
	chosen, err := d.Choose("take02..take03")
	if err != nil {
		log.Fatal(err)
	}
	for _, p := range chosen {
		fmt.Println(p.Name, p.Color, p.Band)
	}
	// Output:
	// take02 A/C003.mov B/D003.mov
	// take03 A/C004.mov B/D004.mov
}

// Two cards become a day's file, with a recipe beside it for each take.
func ExampleCards() {
	ctx := context.Background()
	opt := &day.ReadOptions{Settings: take.Recipe{ColorCurve: "slog3", ColorPrimaries: "sgamut3cine", Background: "sea.png"}}
	d, err := day.Cards(ctx, "CARD_A", "CARD_B", opt)
	if err != nil {
		log.Fatal(err)
	}
	if err := d.Read(ctx, opt); err != nil {
		log.Fatal(err)
	}
	for _, p := range d.Takes() {
		fmt.Println(p.Name, p.Found.Verdict, p.Found.Wrong)
	}
	if err := d.Save("day/day.json"); err != nil {
		log.Fatal(err)
	}
}
