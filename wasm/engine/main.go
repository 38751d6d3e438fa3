//go:build js

package main

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"runtime/debug"
	"syscall/js"

	"example.com/twinplate/internal/list"
	"example.com/twinplate/plate"
	"example.com/twinplate/take"
)

// main gives the worker one function, engine(op, args), which takes the arguments as JSON and
// returns a promise of {json, buffers}: the result as JSON, and the pixels that go with it as a
// list of Uint8Arrays; engineStop() ends the call that runs, where it can. Then it calls the
// worker's engineReady with what about returns. site/js/page/operations.js has the types.
func main() {
	// Most of the memory is planes that live from frame to frame: collecting early costs little and
	// keeps the heap, which a browser never takes back, small.
	debug.SetGCPercent(40)
	var s session
	var turn = make(chan struct{}, 1) // one call at a time: a session has one frame
	turn <- struct{}{}
	stop := func() {} // ends the call that runs, as soon as it can
	js.Global().Set("engine", js.FuncOf(func(_ js.Value, args []js.Value) any {
		op, text := args[0].String(), []byte(args[1].String())
		return promise(func() (js.Value, error) {
			<-turn
			defer func() { turn <- struct{}{} }()
			var ctx context.Context
			ctx, stop = context.WithCancel(context.Background())
			defer stop()
			return s.call(ctx, op, text)
		})
	}))
	js.Global().Set("engineStop", js.FuncOf(func(js.Value, []js.Value) any {
		stop()
		return nil
	}))
	js.Global().Call("engineReady", about())
	select {}
}

// about returns what the page has to know of files before it hands any over: {extensions, pixels,
// recipe, curves}, those of the pictures that are read, the most pixels that one may have, the
// version of recipes, and the names of transfer curves.
func about() map[string]any {
	extensions := list.Of(plate.Extensions(), func(e string) any { return e })
	curves := list.Of(plate.Curves(), func(c plate.Curve) any { return c.Name() })
	return map[string]any{"extensions": extensions, "pixels": plate.MaxPixels, "recipe": take.RecipeVersion, "curves": curves}
}

// arguments are those of all calls; each uses its own.
type arguments struct {
	Path     string   `json:"path"`
	Draft    bool     `json:"draft"`
	Samples  []int    `json:"samples"`
	Later    bool     `json:"later"`
	Planes   string   `json:"planes"` // a file of what planes returned
	Number   int      `json:"number"`
	Breaks   breaks   `json:"breaks"`
	Quick    bool     `json:"quick"`
	Half     bool     `json:"half"`
	Stations []string `json:"stations"`
	Thumbs   []string `json:"thumbs"`
	Width    int      `json:"width"`
	X        int      `json:"x"`
	Y        int      `json:"y"`
	FPS      float64  `json:"fps"`
	Product  string   `json:"product"`
	Straight bool     `json:"straight"`

	Chart  chart           `json:"chart"`
	Finish json.RawMessage `json:"finish"` // as session.finished takes it
}

// shown is what a frame's pictures are, in the order of their buffers: two for a station, one for a
// thumbnail.
type shown struct {
	Number   int      `json:"number"`
	Draft    bool     `json:"draft"` // not quite what the library makes of the files: to look at until that is there
	Pictures []placed `json:"pictures"`
	Thumbs   []placed `json:"thumbs"`
}

type placed struct {
	Station string `json:"station"`
	W       int    `json:"w"`
	H       int    `json:"h"`
	Missing string `json:"missing,omitempty"` // why there is none
}

func (s *session) call(ctx context.Context, op string, text []byte) (js.Value, error) {
	var a arguments
	if err := json.Unmarshal(text, &a); err != nil {
		return js.Undefined(), err
	}
	switch op {
	case "frame", "pixel", "display", "write", "border", "cdl", "place":
		if err := s.finished(ctx, a.Finish); err != nil {
			return js.Undefined(), err
		}
	}
	switch op {
	case "open":
		return answer(s.open(ctx, a.Path, a.Draft))
	case "prepare":
		return answer(s.prepare(ctx, &a))
	case "noise":
		return answer(s.noise(ctx, &a))
	case "planes":
		b, err := s.planes()
		if err != nil {
			return js.Undefined(), err
		}
		return reply(nil, bytesTo(b))
	case "curves":
		return answer(s.curves(ctx))
	case "check":
		return answer(s.check(ctx, a.FPS))
	case "finish":
		return answer(s.notes(ctx, a.Finish))
	case "cdl":
		return answer(s.cdls())
	case "place":
		if s.scrubber == nil {
			return js.Undefined(), errNotOpen
		}
		return answer(s.scrubber.Background(a.Number))
	case "border":
		return answer(s.border())
	case "sound":
		return answer(soundOffset(ctx, "/look/color.sound", "/look/band.sound"))
	case "look":
		l, m, err := lookAt(a.Path, a.Width)
		if err != nil {
			return js.Undefined(), err
		}
		return reply(l, bytesTo(m.Pix))
	case "match":
		return answer(a.Chart.match())
	case "pixel":
		return answer(s.pixel(a.Number, a.Breaks, a.X, a.Y))
	case "frame":
		return s.show(a)
	case "display":
		if err := s.load(a.Number, a.Breaks, false); err != nil {
			return js.Undefined(), err
		}
		p, err := s.picture(a.Stations[0])
		if err != nil {
			return js.Undefined(), err
		}
		m := p.display(a.Width, a.Straight)
		return reply(placed{a.Stations[0], m.Rect.Dx(), m.Rect.Dy(), ""}, bytesTo(m.Pix))
	case "write":
		name, err := s.write(a.Number, a.Breaks, a.Product, "/out")
		if err != nil {
			return js.Undefined(), err
		}
		defer os.Remove(name)
		file, err := os.ReadFile(name)
		if err != nil {
			return js.Undefined(), err
		}
		return reply(name, bytesTo(file))
	}
	return s.live(ctx, op, a)
}

// alone makes what is looked at most, the composite or of a take without a background the
// foreground, where nothing else is asked for, and it is not held; else it returns nil.
func (s *session) alone(a arguments) (*halves, error) {
	looked := "sum"
	if len(s.recipe.Background) == 0 {
		looked = "foreground"
	}
	if s.holds(a.Number, a.Breaks, a.Quick) || s.scrubber == nil || len(a.Stations) != 1 || a.Stations[0] != looked || len(a.Thumbs) > 0 || a.Breaks != (breaks{}) {
		return nil, nil
	}
	return s.rows(looked, a.Number, a.Quick, a.Half)
}

func (s *session) show(a arguments) (js.Value, error) {
	if p, err := s.alone(a); p != nil || err != nil {
		if err != nil {
			return js.Undefined(), err
		}
		return reply(shown{Number: a.Number, Draft: s.draft(), Pictures: []placed{{a.Stations[0], p.w, p.h, ""}}, Thumbs: []placed{}}, p.to[:]...)
	}
	if err := s.load(a.Number, a.Breaks, a.Quick); err != nil {
		return js.Undefined(), err
	}
	out := shown{Number: a.Number, Draft: s.draft(), Pictures: []placed{}, Thumbs: []placed{}}
	var buffers []js.Value
	for _, station := range a.Stations {
		p, err := s.picture(station)
		if err != nil {
			out.Pictures = append(out.Pictures, placed{Station: station, Missing: plain(err)})
			continue
		}
		h := p.halves(a.Half)
		out.Pictures = append(out.Pictures, placed{station, h.w, h.h, ""})
		buffers = append(buffers, h.to[:]...)
	}
	for _, station := range a.Thumbs {
		p, err := s.picture(station)
		if err != nil {
			out.Thumbs = append(out.Thumbs, placed{Station: station, Missing: plain(err)})
			continue
		}
		m := p.display(a.Width, false)
		out.Thumbs = append(out.Thumbs, placed{station, m.Rect.Dx(), m.Rect.Dy(), ""})
		buffers = append(buffers, bytesTo(m.Pix))
	}
	return reply(out, buffers...)
}

func answer[T any](result T, err error) (js.Value, error) {
	if err != nil {
		return js.Undefined(), err
	}
	return reply(result)
}

// bytesTo returns a copy of b that is the page's.
func bytesTo(b []byte) js.Value {
	to := js.Global().Get("Uint8Array").New(len(b))
	js.CopyBytesToJS(to, b)
	return to
}

func reply(result any, buffers ...js.Value) (js.Value, error) {
	text, err := json.Marshal(result)
	if err != nil {
		return js.Undefined(), err
	}
	list := js.Global().Get("Array").New()
	for _, b := range buffers {
		list.Call("push", b)
	}
	return js.ValueOf(map[string]any{"json": string(text), "buffers": list}), nil
}

// promise runs do on a goroutine and returns a JavaScript promise of its result. A panic becomes a
// rejection: the worker lives on.
func promise(do func() (js.Value, error)) js.Value {
	var executor js.Func
	executor = js.FuncOf(func(_ js.Value, args []js.Value) any {
		resolve, reject := args[0], args[1]
		go func() {
			defer executor.Release()
			fail := func(text string) { reject.Invoke(js.Global().Get("Error").New(text)) }
			defer func() {
				if p := recover(); p != nil {
					fail(fmt.Sprint("something in twinplate went wrong, please report it: ", p))
				}
			}()
			v, err := do()
			if err != nil {
				fail(plain(err))
				return
			}
			resolve.Invoke(v)
		}()
		return nil
	})
	return js.Global().Get("Promise").New(executor)
}
