package main

import (
	"bytes"
	"image"
	"image/png"
	"io"
	"math"
	"mime/multipart"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"

	"example.com/twinplate/plate"
	"example.com/twinplate/rig/simulate"
)

// form is an upload: the files by their names.
func form(t *testing.T, files map[string][]byte) (body io.Reader, contentType string) {
	t.Helper()
	var b bytes.Buffer
	m := multipart.NewWriter(&b)
	for name, data := range files {
		part, err := m.CreateFormFile(name, name+".png")
		if err != nil {
			t.Fatal(err)
		}
		part.Write(data)
	}
	if err := m.Close(); err != nil {
		t.Fatal(err)
	}
	return &b, m.FormDataContentType()
}

func file(t *testing.T, frame image.Image) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := png.Encode(&b, plate.Encode(frame, plate.SRGB, 16)); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// Two pairs at once, each answered with its own matte.
func TestPairs(t *testing.T) {
	const w, h = 320, 180
	server := httptest.NewServer(newHandler(2))
	defer server.Close()
	var wait sync.WaitGroup
	for seed := range uint64(2) {
		shot := simulate.New(simulate.Cutouts{Seed: seed}, w, h, w, h, nil, simulate.DemoFaults(), 1).Frame(10)
		body, kind := form(t, map[string][]byte{"color": file(t, shot.Color), "band": file(t, shot.Band)})
		wait.Go(func() {
			answer, err := http.Post(server.URL, kind, body)
			if err != nil {
				t.Error(err)
				return
			}
			defer answer.Body.Close()
			data, err := io.ReadAll(answer.Body)
			if err != nil || answer.StatusCode != http.StatusOK {
				t.Errorf("%s: %s (%v)", answer.Status, data, err)
				return
			}
			picture, err := png.Decode(bytes.NewReader(data))
			if err != nil {
				t.Error(err)
				return
			}
			got, sum := plate.FromImage(picture, plate.SRGB), 0.0
			for i, a := range got.A {
				d := float64(a - shot.Truth.Alpha.Pix[i])
				sum += d * d
			}
			if rms := math.Sqrt(sum / (w * h)); !(rms < 0.04) {
				t.Errorf("seed %d: alpha is off by %.4f, root mean square", seed, rms)
			}
		})
	}
	wait.Wait()
}

func TestRefused(t *testing.T) {
	plain := plate.NewRGB(64, 64)
	plain.Fill(0.2, 0.2, 0.2)
	sound := file(t, plain)
	large := file(t, plate.NewGray(4097, 2160))
	for _, c := range []struct {
		name, method string
		files        map[string][]byte
		status       int
		says         string
	}{
		{"not a POST", http.MethodGet, nil, http.StatusMethodNotAllowed, "POST"},
		{"no form", http.MethodPost, nil, http.StatusBadRequest, "color"},
		{"no band plate", http.MethodPost, map[string][]byte{"color": sound}, http.StatusBadRequest, "band"},
		{"no picture", http.MethodPost, map[string][]byte{"color": sound, "band": []byte("a band plate")}, http.StatusBadRequest, "band"},
		{"too many pixels", http.MethodPost, map[string][]byte{"color": large, "band": sound}, http.StatusBadRequest, "4097"},
		{"too many bytes", http.MethodPost, map[string][]byte{"color": sound, "band": make([]byte, maxBytes)}, http.StatusRequestEntityTooLarge, "too large"},
		{"nobody there", http.MethodPost, map[string][]byte{"color": sound, "band": sound}, http.StatusUnprocessableEntity, "silhouettes"},
	} {
		body, kind := form(t, c.files)
		r := httptest.NewRequest(c.method, "/", body)
		r.Header.Set("Content-Type", kind)
		w := httptest.NewRecorder()
		newHandler(1).ServeHTTP(w, r)
		if w.Code != c.status || !strings.Contains(w.Body.String(), c.says) {
			t.Errorf("%s: %d, %q; want %d with %q", c.name, w.Code, w.Body, c.status, c.says)
		}
	}
}

func TestBusy(t *testing.T) {
	h := newHandler(1)
	h.busy <- struct{}{} // another pair is worked on
	w := httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequest(http.MethodPost, "/", nil))
	if w.Code != http.StatusServiceUnavailable || w.Header().Get("Retry-After") == "" {
		t.Errorf("%d with Retry-After %q", w.Code, w.Header().Get("Retry-After"))
	}
	<-h.busy
	w = httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequest(http.MethodPost, "/", nil))
	if w.Code != http.StatusBadRequest || len(h.busy) != 0 {
		t.Errorf("%d, and %d at work after it", w.Code, len(h.busy))
	}
}
