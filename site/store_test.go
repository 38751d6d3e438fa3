//go:build !js

package site_test

import (
	"encoding/json"
	"os/exec"
	"testing"

	"example.com/twinplate/internal/test/outside"
)

// The store tells whom it should, in order, and takes back what was chosen and nothing else. Node
// runs it as it is.
func TestStore(t *testing.T) {
	rows := []struct{ what, script, want string }{
		{"only those that a change concerns are told, with the value before", `
			store.subscribe(["a"], (v, before) => heard.push(before.a + ">" + v.a));
			store.update({ b: 9 }); store.update({ a: 1 }); store.update({ a: 1 }); store.update({ a: 2, b: 3 });`, "0>1 1>2"},
		{"what draws is called at once", `store.show(["a"], ({ a }) => heard.push(a)); store.update({ a: 5 });`, "0 5"},
		{"a change made by a listener comes after the one that it heard of", `
			store.subscribe(["a"], ({ a }) => a < 3 && store.update({ a: a + 1 }));
			store.subscribe(["a"], ({ a }) => heard.push(a));
			store.update({ a: 1 });`, "1 2 3"},
		{"a listener that fails does not stop the store", `
			store.subscribe(["a"], ({ a }) => { if (a === 1) throw new Error("no"); heard.push(a); });
			try { store.update({ a: 1 }); } catch (error) { heard.push(error.message); }
			store.update({ a: 2 });`, "no 2"},
		{"undo takes back what was chosen, redo brings it again, the rest stays", `
			store.choose({ a: 1 }); store.choose({ a: 2 }); store.update({ b: 7 });
			for (const step of ["undo", "undo", "undo", "redo", "redo", "redo"]) { store[step](); heard.push(store.value.a); }
			heard.push(store.value.b);`, "1 0 0 1 2 2 7"},
		{"a new choice ends what could be brought again", `
			store.choose({ a: 1 }); store.undo(); heard.push(store.canRedo); store.choose({ a: 2 }); heard.push(store.canUndo, store.canRedo);`, "true true false"},
		{"a choice that changes nothing is no step", `store.choose({ a: 0 }); heard.push(store.canUndo);`, "false"},
		{"changes of one kind are one step, of another or after undo another", `
			store.choose({ a: 1 }, "slide"); store.choose({ a: 2 }, "slide"); store.choose({ a: 3 }, "key"); store.choose({ a: 4 });
			for (let i = 0; i < 3; i++) { store.undo(); heard.push(store.value.a); }
			store.choose({ a: 5 }, "key"); store.undo(); heard.push(store.value.a);`, "3 2 0 0"},
		{"a second later it is another step", `
			store.choose({ a: 1 }, "slide"); await new Promise((r) => setTimeout(r, 1050)); store.choose({ a: 2 }, "slide");
			store.undo(); heard.push(store.value.a);`, "1"},
		{"a hundred steps are kept", `
			for (let i = 1; i <= 150; i++) store.choose({ a: i });
			let n = 0; while (store.canUndo) { store.undo(); n++; }
			heard.push(n, store.value.a);`, "100 50"},
	}
	script := `import { Store } from "./js/store.js"; const out = []; let heard, store;`
	for _, row := range rows {
		script += `heard = []; store = new Store({ a: 0, b: 0 }, ["a"]);` + row.script + `; out.push(heard.join(" "));`
	}
	node := outside.Program(t, "node")
	text, err := exec.Command(node, "--no-warnings", "--input-type=module", "--eval", script+`console.log(JSON.stringify(out))`).CombinedOutput()
	var got []string
	if err == nil {
		err = json.Unmarshal(text, &got)
	}
	if err != nil || len(got) != len(rows) {
		t.Fatalf("node: %v\n%s", err, text)
	}
	for i, row := range rows {
		if got[i] != row.want {
			t.Errorf("%s: %q, want %q", row.what, got[i], row.want)
		}
	}
}
