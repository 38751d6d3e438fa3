package take_test

import (
	"slices"
	"strings"
	"testing"

	"example.com/twinplate/take"
)

// With the recipe and the planes of a job, which went over bytes, another makes the same frame to the
// bit, says the same of the screen, and reads no frame to get ready.
func TestPlanes(t *testing.T) {
	bare := record(t, 3, 4, 5, 6).recipe
	bare.CleanColor, bare.DarkColor, bare.CleanBand, bare.DarkBand = "", "", "", ""
	border := partial(t)
	border.Write = []string{"comp", "sigma"}
	for name, r := range map[string]take.Recipe{"a rebuilt plate": bare, "a border": border} {
		first, _, job := result(t, r)
		planes := job.Planes()
		if rebuilt := name == "a rebuilt plate"; (planes.Clean != nil) != rebuilt || (planes.Extent == nil) != rebuilt || !planes.Searched {
			t.Fatalf("%s: found %v, %v, %v", name, planes.Clean != nil, planes.Extent != nil, planes.Searched)
		}
		data, err := planes.MarshalBinary()
		if err != nil {
			t.Fatal(err)
		}
		known := new(take.KnownPlanes)
		if err := known.UnmarshalBinary(data); err != nil {
			t.Fatal(err)
		}
		files := &counting{opened: map[string]int{}}
		opened, err := take.OpenFiles(t.Context(), files, job.Recipe(nil))
		if err != nil {
			t.Fatal(err)
		}
		clear(files.opened)
		opened.Known = known
		again, err := opened.Prepare(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		for file := range files.opened {
			if !slices.Contains([]string{r.Background, r.CleanColor, r.DarkColor, r.CleanBand, r.DarkBand}, file) {
				t.Errorf("%s: %s is opened", name, file)
			}
		}
		f, err := again.NewScrubber().Frame(first.Number, nil)
		if err != nil {
			t.Fatal(err)
		}
		if !slices.Equal(f.Transmission.Pix, first.Transmission.Pix) || !slices.Equal(f.Comp.Pix[0], first.Comp.Pix[0]) {
			t.Errorf("%s: the frame is another", name)
		}
		note := func(j *take.Job) string {
			return strings.Join(slices.DeleteFunc(slices.Clone(j.Notes), func(s string) bool { return !strings.Contains(s, "rebuilt") && !strings.Contains(s, "covers") }), "\n")
		}
		if note(again) != note(job) || note(job) == "" {
			t.Errorf("%s: it says %q, and the first %q", name, note(again), note(job))
		}

		for what, bad := range map[string][]byte{"nothing": nil, "less": data[:len(data)-1], "more": append(slices.Clone(data), 0), "far too large": append(slices.Repeat([]byte{255}, 8), data[8:]...)} {
			if err := new(take.KnownPlanes).UnmarshalBinary(bad); err == nil {
				t.Errorf("%s: %s is taken", name, what)
			}
		}
		if known.Clean != nil {
			known.Clean.Band.W, known.Clean.Band.H = known.Clean.Band.H, known.Clean.Band.W
		} else {
			known.Extent.Inside.W, known.Extent.Inside.H = known.Extent.Inside.H, known.Extent.Inside.W
		}
		if _, err := opened.Prepare(t.Context()); err == nil || !strings.Contains(err.Error(), "found before") {
			t.Errorf("%s: planes of another size: %v", name, err)
		}
	}
}
