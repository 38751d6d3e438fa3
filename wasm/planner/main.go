//go:build js

// Command planner gives the planning page one function, plan(rig), which takes a rig as JSON and
// returns {page}, the plan as HTML, or {error}; example(), which returns the JSON of a rig to begin
// with; and names(), that of {illuminants, curves}, the names that a rig may use.
package main

import (
	"encoding/json"
	"strings"
	"syscall/js"

	"example.com/twinplate/internal/app/page"
	"example.com/twinplate/internal/list"
	"example.com/twinplate/plate"
	"example.com/twinplate/rig"
)

func main() {
	js.Global().Set("example", js.FuncOf(func(js.Value, []js.Value) any { return string(rig.PierSetup()) }))
	js.Global().Set("names", js.FuncOf(func(js.Value, []js.Value) any {
		names := map[string][]string{"illuminants": rig.Illuminants(), "curves": list.Of(plate.Curves(), plate.Curve.Name)}
		text, _ := json.Marshal(names) // strings alone
		return string(text)
	}))
	js.Global().Set("plan", js.FuncOf(func(_ js.Value, args []js.Value) any {
		html, err := plan(args[0].String())
		if err != nil {
			return map[string]any{"error": err.Error()}
		}
		return map[string]any{"page": html}
	}))
	js.Global().Call("plannerReady")
	select {}
}

func plan(text string) (string, error) {
	setup, err := rig.ParseSetup([]byte(text))
	if err != nil {
		return "", err
	}
	p, err := setup.Plan()
	if err != nil {
		return "", err
	}
	var b strings.Builder
	err = page.Plan(&b, p)
	return b.String(), err
}
