package main

import (
	"fmt"

	"example.com/twinplate/matte"
	"example.com/twinplate/plate"
)

type compare struct {
	Truth  string `arg:"" help:"The true matte: a picture whose values are alpha, linear." placeholder:"TRUTH"`
	Result string `arg:"" help:"The matte to measure." placeholder:"RESULT"`
	JSON   bool   `name:"json" help:"Print one JSON object instead of text."`
}

func (compare) Help() string {
	return examples("twinplate compare demo/truth/alpha/0024.png demo/matte/0024.png") +
		"\n\nThe measures are those of Rhemann et al. 2009, as sums over the frame with alpha from 0 to 1: the sum of absolute differences, the mean squared error, its root, the gradient error (Gaussian derivatives, sigma 1.4) and the connectivity error (steps of 0.1, theta 0.15)."
}

func (c *compare) Run(t *terminal) error {
	var frames [2]*plate.Gray
	for i, path := range []string{c.Truth, c.Result} {
		var err error
		if frames[i], err = plate.ReadGray(path, plate.Linear, nil, nil); err != nil {
			return err
		}
	}
	e, err := matte.Compare(frames[0], frames[1], nil)
	if err != nil {
		return fmt.Errorf("%s and %s: %w", c.Truth, c.Result, err)
	}
	if c.JSON {
		return t.object(e)
	}
	t.printf("sum of absolute differences  %.4f\nmean squared error           %.3e\nits root                     %.5f\ngradient error               %.4f\nconnectivity error           %.4f\n", e.SAD, e.MSE, e.RMSE, e.Gradient, e.Connectivity)
	return nil
}
