package take

import (
	"context"
	"fmt"

	"example.com/twinplate/align"
)

// chartSamples is how many pairs a geometry is estimated from, where they show a chart.
const chartSamples = 16

// FromChart finds the geometry from the take's frames, which must show a chart (align.Chart) instead of a
// performer: of a longer recording, 16 frames spread over it.
func (t *Take) FromChart(ctx context.Context) (*align.ChartEstimate, error) {
	defer t.files.Rest()
	_, pairs, err := sampled(ctx, t, t.whole, chartSamples, func(p FilePair) (align.Pair, error) {
		s, err := t.readSample(p)
		return align.Pair(s), err
	})
	if err != nil {
		return nil, err
	}
	e, err := align.FromChart(ctx, pairs)
	if err != nil {
		return nil, fmt.Errorf("%s and %s: %w", t.recipe.Color, t.recipe.Band, err)
	}
	e.Warnings = append(e.Warnings, t.warnings...)
	return e, nil
}
