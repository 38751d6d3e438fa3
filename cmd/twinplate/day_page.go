package main

import (
	_ "embed"
	"fmt"
	"html/template"
	"image"
	"io"
	"path/filepath"
	"strings"

	"example.com/twinplate/day"
	"example.com/twinplate/internal/app/page"
	"example.com/twinplate/internal/list"
	"example.com/twinplate/internal/names"
	"example.com/twinplate/reading"
)

//go:embed day.html
var dayHTML string

var dayTemplate = template.Must(template.New("day").Funcs(readingFuncs).Funcs(template.FuncMap{
	"base": filepath.Base,
	"join": func(all []string) string { return strings.Join(all, ", ") },
}).Parse(dayHTML))

// A dayPage is the page of a day in the making.
type dayPage struct {
	takes []dayTake
	err   error
}

// A dayTake is what the page has of one take.
type dayTake struct {
	Pair        *day.ClipPair
	Pictures    []picture
	Wrong, Fine []reading.Reading
	Notes       []string
}

// add keeps what the page shows of a take: small pictures, and no planes.
func (p *dayPage) add(pair *day.ClipPair, r *day.TakeReading) {
	one := dayTake{Pair: pair}
	for _, read := range r.Readings {
		if read.Verdict.Wrong() {
			one.Wrong = append(one.Wrong, read)
		} else {
			one.Fine = append(one.Fine, read)
		}
	}
	show := func(frame image.Image, caption string) {
		source, err := inline(frame)
		if err != nil {
			p.err = err
		}
		one.Pictures = append(one.Pictures, picture{source, caption})
	}
	if c := r.Checkup; c != nil {
		one.Notes = c.Notes
		if c.Color != nil {
			show(c.Color, fmt.Sprintf("The color plate, frame %d.", c.Frame))
			show(c.Alpha, "The matte: white is solid.")
		}
		if r.Comp != nil {
			show(r.Comp, "The composite.")
		}
	}
	p.takes = append(p.takes, one)
}

// summary is the day in one sentence.
func (p *dayPage) summary(d *day.Day) string {
	count := map[reading.Verdict]int{}
	for _, one := range p.takes {
		count[one.Pair.Found.Verdict]++
	}
	text := names.Count(len(p.takes), "take")
	if n := count[reading.Bad]; n > 0 {
		text += fmt.Sprintf(", %d with something to mend", n)
	}
	if n := count[reading.Watch]; n > 0 {
		text += fmt.Sprintf(", %d to look at", n)
	}
	if n := len(d.Left); n > 0 {
		text += "; " + names.Count(n, "clip") + " left"
	}
	return text + "."
}

// write writes the page, which needs no other file.
func (p *dayPage) write(d *day.Day) func(io.Writer) error {
	return func(w io.Writer) error {
		if p.err != nil {
			return p.err
		}
		others := list.Where(d.Pairs, func(pair *day.ClipPair) bool { return pair.Kind != day.Take })
		return dayTemplate.Execute(w, struct {
			Style            template.CSS
			Summary, Caution string
			Day              *day.Day
			Others           []*day.ClipPair
			Takes            []dayTake
		}{template.CSS(page.Style), p.summary(d), pageCaution, d, others, p.takes})
	}
}
