package matte_test

import (
	"fmt"

	"example.com/twinplate/matte"
	"example.com/twinplate/plate"
)

// A strand of hair, half as opaque as it should be in one place, and a speck that should not be there.
func ExampleCompare() {
	truth := plate.NewGray(8, 3)
	for x := range 6 {
		truth.Pix[8+x] = 1
	}
	result := truth.Clone()
	result.Pix[8+3] = 0.5
	result.Pix[7] = 0.25

	e, err := matte.Compare(truth, result, nil)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("SAD %.2f, RMSE %.3f, connectivity %.2f\n", e.SAD, e.RMSE, e.Connectivity)
	// Output: SAD 0.75, RMSE 0.114, connectivity 0.75
}
