//go:build !js

package site_test

import (
	"bytes"
	"encoding/json"
	"html"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime/debug"
	"strings"
	"testing"

	"example.com/twinplate/internal/test/outside"
)

// built returns what the linker wrote of a program's modules into it. Package debug/buildinfo does
// not read WebAssembly; the marks before and after are infoStart and infoEnd of Go's
// cmd/go/internal/modload.
func built(t *testing.T, program string) *debug.BuildInfo {
	t.Helper()
	data, err := os.ReadFile(program)
	if err != nil {
		t.Fatal(err)
	}
	_, data, found := bytes.Cut(data, []byte("\x30\x77\xaf\x0c\x92\x74\x08\x02\x41\xe1\xc1\x07\xe6\xd6\x18\xe6"))
	data, _, end := bytes.Cut(data, []byte("\xf9\x32\x43\x31\x86\x18\x20\x72\x00\x82\x42\x10\x41\x16\xd8\xf2"))
	if !found || !end {
		t.Fatalf("%s does not say of which modules it is built", program)
	}
	info, err := debug.ParseBuildInfo(string(data))
	if err != nil {
		t.Fatalf("%s: %v", program, err)
	}
	return info
}

// The page of licenses has the whole license of every module that is in the site's programs and of
// every npm package that its pages may import, and names Go. It attributes the CIE's tables. Both
// pages link to it, and the service worker keeps it.
func TestLicensesOfTheSite(t *testing.T) {
	dir := dist(t)
	read := func(parts ...string) string {
		data, err := os.ReadFile(filepath.Join(parts...))
		if err != nil {
			t.Fatal(err)
		}
		return string(data)
	}
	page := html.UnescapeString(read(dir, "licenses.html"))
	has := func(name, folder string) {
		t.Helper()
		if !strings.Contains(page, name+": ") {
			t.Errorf("the page of licenses does not name %s", name)
		}
		licenses, _ := filepath.Glob(filepath.Join(folder, "[LC][IO][CP]*"))
		if len(licenses) == 0 {
			t.Errorf("%s has no license in %s", name, folder)
		}
		for _, path := range licenses {
			if !strings.Contains(page, strings.TrimSpace(read(path))) {
				t.Errorf("the page of licenses does not have the text of %s", path)
			}
		}
	}
	folder := func(module string) string {
		out, err := exec.Command("go", "list", "-m", "-f", "{{.Dir}}", module).Output()
		if err != nil {
			t.Fatal(module, err)
		}
		return strings.TrimSpace(string(out))
	}

	has("twinplate", "..")
	programs, _ := filepath.Glob(filepath.Join(dir, "*.wasm"))
	modules := map[string]string{}
	for _, program := range programs {
		info := built(t, program)
		for _, m := range info.Deps {
			modules[m.Path] = m.Version
		}
	}
	if len(programs) < 3 || len(modules) < 5 {
		t.Errorf("%d programs of %d modules: three of at least five were expected", len(programs), len(modules))
	}
	for path, version := range modules {
		has(path+" "+version, folder(path))
	}
	if !regexp.MustCompile(`>Go 1\.\d+\.\d+: LICENSE<`).MatchString(page) {
		t.Error("the page of licenses does not name Go")
	}

	var locked struct {
		Packages map[string]struct {
			Version      string
			Dependencies map[string]string
		}
	}
	if err := json.Unmarshal([]byte(read("package-lock.json")), &locked); err != nil {
		t.Fatal(err)
	}
	for name := range locked.Packages[""].Dependencies {
		at := "node_modules/" + name
		has(name+" "+locked.Packages[at].Version, at)
	}

	has("twinplate", "../rig/data/cie")
	for _, must := range []string{"International Commission on Illumination", "https://creativecommons.org/licenses/by-sa/4.0/", "What was changed", "10.25039/CIE.DS.xvudnb9b"} {
		if !strings.Contains(page, must) {
			t.Errorf("the page of licenses does not have %q of the CIE's tables", must)
		}
	}
	for _, from := range []string{"index.html", "plan.html"} {
		if !strings.Contains(read(dir, from), `href="licenses.html"`) {
			t.Errorf("%s does not link to the licenses", from)
		}
	}
	if !strings.Contains(read(dir, "sw.js"), `"licenses.html"`) {
		t.Error("the service worker does not keep the licenses")
	}
}

// A module or an npm package without a license is an error that names it; with one, its notice is
// there.
func TestNoLicense(t *testing.T) {
	node := outside.Program(t, "node")
	script, err := filepath.Abs("notices.mjs")
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	write := func(name, text string) { put(t, filepath.Join(dir, filepath.FromSlash(name)), []byte(text)) }
	write("main/go.mod", "module example.com/main\n\ngo 1.26\n\nrequire example.com/other v1.2.3\n\nreplace example.com/other => ../other\n")
	write("main/main.go", "package main\n\nimport _ \"example.com/other/part\"\n\nfunc main() {}\n")
	write("main/LICENSE", "the license of main")
	write("other/go.mod", "module example.com/other\n\ngo 1.26\n")
	write("other/part/part.go", "package part\n\nimport _ \"embed\"\n\n//go:embed data/table.csv\nvar Table string\n")
	write("other/part/data/table.csv", "1,2\n")
	write("other/part/data/NOTICE", "who made the table")
	write("npm/node_modules/@a/b/package.json", `{"name": "@a/b", "version": "3.2.1", "repository": {"url": "git+https://example.com/b.git"}}`)

	run := func(args ...string) string {
		cmd := exec.Command(node, args...)
		cmd.Dir = filepath.Join(dir, "main")
		out, _ := cmd.CombinedOutput()
		return string(out)
	}
	modules := func() string { return run(script, "example.com/main", "linux/amd64") }
	packages := func() string {
		return run("--input-type=module", "-e", `import { asText, npmParts } from "`+filepath.ToSlash(script)+`";
			const inputs = { "../npm/node_modules/@a/b/index.js": { bytesInOutput: 9 }, "../npm/node_modules/unused/index.js": { bytesInOutput: 0 } };
			console.log(asText(npmParts([{ outputs: { "app.js": { inputs } } }])));`)
	}
	for _, c := range []struct {
		name, license string
		collect       func() string
	}{{"example.com/other v1.2.3", "other/LICENSE", modules}, {"@a/b 3.2.1", "npm/node_modules/@a/b/LICENSE.md", packages}} {
		if out := c.collect(); !strings.Contains(out, c.name+" is built in and has no license") {
			t.Errorf("without its license, %s is taken: %s", c.name, out)
		}
		write(c.license, "its license & <more>")
		if out := c.collect(); !strings.Contains(out, "---- "+c.name+": LICENSE") || !strings.Contains(out, "its license & <more>") {
			t.Errorf("with its license, %s has no notice: %s", c.name, out)
		}
	}
	for _, want := range []string{"---- main: LICENSE", "---- example.com/other v1.2.3: part/data/NOTICE", "who made the table", "---- Go 1."} {
		if out := modules(); !strings.Contains(out, want) {
			t.Errorf("the notices have no %q: %s", want, out)
		}
	}
}
