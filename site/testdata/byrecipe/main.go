// Command byrecipe makes one frame of a recipe's take, as `twinplate comp` does, where the command
// itself does not run: in WebAssembly, by the kernels that the page has.
//
//	byrecipe RECIPE NUMBER OUT
package main

import (
	"context"
	"log"
	"os"

	"example.com/twinplate/take"
)

func main() {
	log.SetFlags(0)
	if err := run(os.Args[1], os.Args[2], os.Args[3]); err != nil {
		log.Fatal(err)
	}
}

func run(recipe, number, out string) error {
	r, err := take.ReadRecipe(recipe)
	if err != nil {
		return err
	}
	opened, err := take.Open(r)
	if err != nil {
		return err
	}
	if err := opened.Select(number); err != nil {
		return err
	}
	job, err := opened.Prepare(context.Background())
	if err != nil {
		return err
	}
	_, err = job.Run(context.Background(), &take.RunOptions{Out: out})
	return err
}
