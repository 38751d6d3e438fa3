package objects

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func TestRead(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "a.json")
	if err := os.WriteFile(path, []byte("twelve bytes"), 0o666); err != nil {
		t.Fatal(err)
	}
	if data, err := Read(path, 12, "recipe"); err != nil || string(data) != "twelve bytes" {
		t.Errorf("%q, %v", data, err)
	}
	if _, err := Read(path, 11, "recipe"); err == nil || !strings.Contains(err.Error(), "more than 11 bytes: this is no recipe") {
		t.Errorf("of a file that is too long: %v", err)
	}
	if _, err := Read(dir, 12, "recipe"); err == nil || !strings.Contains(err.Error(), "a folder, a pipe or a device") {
		t.Errorf("of a folder: %v", err)
	}
	if _, err := Read(path+"x", 12, "recipe"); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("of what is not there: %v", err)
	}
}

func TestSave(t *testing.T) {
	dir := t.TempDir()
	type object struct {
		Beside, Empty string
	}
	o := object{Beside: filepath.Join(dir, "plates", "a.png")}
	paths := func(o *object) []*string { return []*string{&o.Beside, &o.Empty} }
	path := filepath.Join(dir, "takes", "o.json")
	if err := os.Mkdir(filepath.Dir(path), 0o777); err != nil {
		t.Fatal(err)
	}
	if err := Save(path, &o, paths(&o)); err != nil {
		t.Fatal(err)
	}
	data, err := os.ReadFile(path)
	if want := "{\n  \"Beside\": \"../plates/a.png\",\n  \"Empty\": \"\"\n}\n"; err != nil || string(data) != want {
		t.Errorf("the file is %q, %v; want %q", data, err, want)
	}
	var read object
	if err := Strict(data, &read); err != nil {
		t.Fatal(err)
	}
	if Resolve(path, paths(&read)); read != (object{Beside: filepath.Join(dir, "plates", "a.png")}) {
		t.Errorf("it is read as %+v", read)
	}
	o.Beside = "\xff"
	if err := Save(path, &o, paths(&o)); err == nil || !strings.Contains(err.Error(), "not UTF-8") {
		t.Errorf("of a path that JSON cannot have: %v", err)
	}
	if now, err := os.ReadFile(path); err != nil || string(now) != string(data) {
		t.Errorf("the file has become %q, %v", now, err)
	}
}

func TestStrict(t *testing.T) {
	var o struct{ A int }
	if err := Strict([]byte(`{"A": 1, "B": 2}`), &o); err == nil || !strings.Contains(err.Error(), `unknown field "B"`) {
		t.Errorf("of another field: %v", err)
	}
	data := []byte("{\n\"A\": 1,\n}")
	if err := Line(Strict(data, &o), data); err == nil || !strings.HasPrefix(err.Error(), "line 3: ") {
		t.Errorf("of a comma too many: %v", err)
	}
}
