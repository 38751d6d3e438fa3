package dataset

import (
	"cmp"
	"fmt"
	"io"
	"strings"
	"text/template"
)

// A takeCard is a take's row in the card.
type takeCard struct {
	Name, Split, Size, Residual, Noise, Remarks string
	Frames                                      int
}

var cardText = template.Must(template.New("card").Parse(`# Data card

{{.Samples}} frames of {{.Takes}} before a sodium screen, each with alpha, foreground and {{.Over}}. Made by {{.Program}}.

## What is in it

| split | takes | frames |
|---|---|---|
{{range .Splits}}| {{.Name}} | {{.Takes}} | {{.Frames}} |
{{end}}
The split is by take and never by frame: the frames of a take are alike. {{.How}}

Each line of manifest.jsonl is a frame: its files with their sizes, curves, primaries and hashes, what they were made from, the lamps'
gain, the residual of the registration, the cameras' noise, and the readings of the take.

| file | what | stored as |
|---|---|---|
| color | the color plate, as it was shot | {{.Light}} |
| band | the band plate, in the color camera's frame | {{.Light}}, one channel |
| foreground | the performer, premultiplied, on black | {{.Light}} |
| straight | the foreground divided by alpha; black where alpha is 0 | {{.Light}} |
| alpha | how much the performer covers, 0 to 1 | {{.Alpha}} |
| sigma | the standard deviation of alpha by the cameras' noise | {{.Sigma}} |
| background | a background, fitted to the frame | {{.Light}} |
| comp | foreground + (1 - alpha) * background, in linear light | {{.Light}} |

## How it was made

Two cameras on one beam splitter shot a performer before a screen lit by low-pressure sodium lamps (589 nm). The color camera does
not see that line, the band camera sees nothing else. The band plate was brought into the color camera's frame, divided by what it shows with
nobody there and by the lamps' gain in the frame, and less the set light in it: that is transmission, and alpha is 1 less it. The foreground
is the color plate less the screen's light in it. No pixel was painted, and no network was asked.{{if .Clipped}} Light below 0 and above what the
files hold was clipped before the composites were made, so that they are the sum of the stored parts.{{end}}

| take | split | frames | size | residual, px | noise of alpha, % | what else |
|---|---|---|---|---|---|---|
{{range .Rows}}| {{.Name}} | {{.Split}} | {{.Frames}} | {{.Size}} | {{.Residual}} | {{.Noise}} | {{.Remarks}} |
{{end}}{{if .Failed}}
Frames that could not be made, and are left out:

{{range .Failed}}- {{.Take}}, {{.Frame}}: {{.Error}}
{{end}}{{end}}
## Limits

- Alpha is a measurement and no truth: sigma says how noisy it is, and errors of the registration come on top at edges, thin strands first.
- Sodium light that fell on the performer counts as transparency, and cannot be told from it.
- The composites are sums. No background lights, shades or mirrors in the performer, as it would on the spot.
- Where alpha is small the straight foreground is noisy; the premultiplied one is not.
- The same backgrounds stand in all splits, and one performer, costume or set may be in takes of several: nobody told this program. Name the
  takes for validation and test where that matters.
- {{.Count}} show few people, costumes and movements. What works on them may fail on others, and nothing here measures for whom.

## What it must not be used for

- To recognize, identify or track the people in it, or to make their faces, bodies or voices act what they did not, without their
  written leave for that very use.
- To draw conclusions about groups of people, or to decide anything about a person.
- As a truth finer than its noise and residual: a matting method's error below sigma is not measured here.
- To report a result on takes that a method was trained or tuned on.

## To be filled in before it is passed on

- Who holds the rights in the takes and in each background, and under which license:
- Who is seen, what they agreed to, and how they can take it back:
- Where to write:

takes/NAME/recipe.json names the files that the take was made from with their folders: look whether they may be known.
`))

// card writes the data card.
func (w *writer) card(out io.Writer) error {
	type splitRow struct {
		Name          string
		Takes, Frames int
	}
	first := map[string]Entry{}
	frames := map[string]int{}
	composites := 0
	for _, s := range w.done {
		if _, ok := first[s.Take]; !ok {
			first[s.Take] = s
		}
		frames[s.Take]++
		composites = len(s.Composites)
	}
	stored := func(curve string, depth int) string {
		kind := "PNG"
		if w.out.extension == ".exr" {
			kind = "OpenEXR"
		}
		return fmt.Sprintf("%s, %d bits, %s", kind, depth, curve)
	}
	program := cmp.Or(w.opt.Program, "twinplate")
	o := &w.out
	data := struct {
		Samples                                               int
		Takes, Over, Program, Light, Alpha, Sigma, How, Count string
		Clipped                                               bool
		Splits                                                []splitRow
		Rows                                                  []takeCard
		Failed                                                []Omission
	}{
		Samples: len(w.done), Takes: count(len(w.shoots), "take"), Over: count(composites, "composite"), Program: program,
		Light: stored(o.light.Curve.Name(), o.light.Depth), Alpha: stored(o.alpha.Curve.Name(), o.alpha.Depth), Sigma: stored(o.sigma.Curve.Name(), o.sigma.Depth),
		How: "Which takes, the hash of their names decided.", Clipped: o.top > 0, Failed: w.report.Failed,
	}
	if len(w.opt.Validation)+len(w.opt.Test) > 0 {
		data.How = "Which takes, whoever made it said."
	}
	data.Count = strings.ToUpper(data.Takes[:1]) + data.Takes[1:]
	for _, name := range Splits {
		row := splitRow{Name: name}
		for _, x := range w.shoots {
			if x.split == name {
				row.Takes++
				row.Frames += frames[x.Name]
			}
		}
		data.Splits = append(data.Splits, row)
	}
	for _, x := range w.shoots {
		s := first[x.Name]
		row := takeCard{Name: x.Name, Split: x.split, Frames: frames[x.Name], Size: fmt.Sprintf("%dx%d", s.Width, s.Height), Residual: "not known", Noise: "not known"}
		var doubts []string
		for _, r := range s.Readings {
			switch {
			case r.Name == "registration" && r.Value != nil:
				row.Residual = fmt.Sprintf("%.2f", *r.Value)
			case r.Name == "matte_noise" && r.Value != nil:
				row.Noise = fmt.Sprintf("%.2f", *r.Value)
			}
			if r.Verdict.Wrong() {
				doubts = append(doubts, fmt.Sprintf("%s: %s", strings.ReplaceAll(r.Name, "_", " "), r.Verdict))
			}
		}
		row.Remarks = strings.Join(doubts, "; ")
		data.Rows = append(data.Rows, row)
	}
	return cardText.Execute(out, data)
}
