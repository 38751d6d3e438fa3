// Command wholetake composites all frames of a take: two folders of frames that are paired by their
// numbers, over one background, into OUT/comp and OUT/matte. Whatever is not known is estimated
// from the take, and OUT/recipe.json has it, for `twinplate comp --recipe`.
//
//	wholetake COLOR BAND BACKGROUND OUT
package main

import (
	"context"
	"fmt"
	"log"
	"os"
	"os/signal"
	"path/filepath"

	"example.com/twinplate/take"
)

func main() {
	log.SetFlags(0)
	if len(os.Args) != 5 {
		log.Fatal("usage: wholetake COLOR BAND BACKGROUND OUT")
	}
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	defer stop()
	if err := run(ctx, os.Args[1], os.Args[2], os.Args[3], os.Args[4]); err != nil {
		log.Fatal(err)
	}
}

func run(ctx context.Context, color, band, background, out string) error {
	opened, err := take.OpenContext(ctx, take.Recipe{Color: color, Band: band, Background: background})
	if err != nil {
		return err
	}
	defer opened.Close()
	job, err := opened.Prepare(ctx)
	if err != nil {
		return err
	}
	for _, text := range job.Notes {
		log.Print("note: ", text)
	}
	for _, text := range job.Warnings {
		log.Print("warning: ", text)
	}
	report, err := job.Run(ctx, &take.RunOptions{Out: out})
	if err != nil {
		return err
	}
	for _, f := range report.Failed {
		log.Printf("frame %d: %s", f.Frame, f.Error)
	}
	if n := len(report.Failed); n > 0 {
		return fmt.Errorf("%d of %d frames failed", n, report.Frames+n)
	}
	return job.Recipe(report.Gains).Save(filepath.Join(out, "recipe.json"))
}
