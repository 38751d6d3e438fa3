// Command handler serves mattes over HTTP: POST a form with the files "color" and "band", one pair
// of plates, and it answers with the performer as a PNG with straight alpha.
//
//	curl -F color=@color.png -F band=@band.png -o performer.png http://localhost:8589/
//
// What a stranger sends is bounded before work is done for it: the bytes of a request, the pixels
// of a plate, the time that a pair may take, and how many pairs are worked on at once. One more is
// told to come back.
package main

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"image"
	"image/png"
	"io"
	"log"
	"net/http"
	"runtime"
	"strings"
	"time"

	"example.com/twinplate/align"
	"example.com/twinplate/matte"
	"example.com/twinplate/plate"
)

// The bounds. The program took 1.3 GB for a pair of maxPixels, and 14 s on one core (measured on
// amd64): memory must hold as many times that as pairs are worked on at once.
const (
	maxPixels = 4096 * 2160         // of a plate
	maxBytes  = 8*maxPixels + 1<<20 // of a request: both plates at 16 bits, as they are in memory
	maxTime   = 60 * time.Second    // of a pair: four times what one of maxPixels took
)

func main() {
	server := &http.Server{
		Addr:              "localhost:8589",
		Handler:           newHandler(runtime.GOMAXPROCS(0)),
		ReadHeaderTimeout: 5 * time.Second,
		ReadTimeout:       maxTime,
		WriteTimeout:      3 * maxTime, // reading, working and writing
	}
	log.Print("listening on http://", server.Addr)
	log.Fatal(server.ListenAndServe())
}

// A handler mattes uploaded pairs, as many at once as busy has room for.
type handler struct {
	busy chan struct{}
}

func newHandler(atOnce int) *handler { return &handler{make(chan struct{}, atOnce)} }

func (h *handler) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	if r.Method != http.MethodPost {
		w.Header().Set("Allow", http.MethodPost)
		http.Error(w, "POST a form with the files color and band", http.StatusMethodNotAllowed)
		return
	}
	select {
	case h.busy <- struct{}{}:
		defer func() { <-h.busy }()
	default:
		w.Header().Set("Retry-After", "5") // seconds
		http.Error(w, "all are busy: try again", http.StatusServiceUnavailable)
		return
	}
	ctx, cancel := context.WithTimeout(r.Context(), maxTime)
	defer cancel()
	r.Body = http.MaxBytesReader(w, r.Body, maxBytes)
	picture, warnings, err := performer(ctx, r)
	if err != nil {
		http.Error(w, err.Error(), status(err))
		return
	}
	w.Header().Set("Content-Type", "image/png")
	for _, text := range warnings {
		w.Header().Add("Matte-Warning", strings.ReplaceAll(text, "\n", " "))
	}
	w.Write(picture)
}

// status returns the HTTP status for an error of performer.
func status(err error) int {
	switch {
	case errors.As(err, new(*http.MaxBytesError)):
		return http.StatusRequestEntityTooLarge
	case errors.Is(err, context.DeadlineExceeded):
		return http.StatusServiceUnavailable
	case errors.Is(err, align.ErrNoSilhouettes), errors.Is(err, align.ErrNoMatch), errors.Is(err, matte.ErrNoScreen):
		return http.StatusUnprocessableEntity // sound files, whose pictures are not of this job
	}
	return http.StatusBadRequest
}

// performer returns the PNG file for the pair that r uploads, and what may be wrong with it.
func performer(ctx context.Context, r *http.Request) (picture []byte, warnings []string, err error) {
	if err := r.ParseMultipartForm(maxBytes); err != nil {
		return nil, nil, err
	}
	defer r.MultipartForm.RemoveAll()
	first, errColor := upload(r, "color")
	second, errBand := upload(r, "band")
	if err := cmp.Or(errColor, errBand); err != nil {
		return nil, nil, err
	}
	color, band := plate.RGBFromImage(first, plate.SRGB), plate.GrayFromImage(second, plate.SRGB, nil)
	found, err := align.FromFootage(ctx, []align.Pair{{Color: color, Band: band}}, nil)
	if err != nil {
		return nil, nil, err
	}
	band = align.NewResampler(found.Geometry).Gray(nil, band)
	ready, err := matte.Prepare([]matte.Sample{{Color: color, Band: band}}, matte.References{}, nil)
	if err != nil {
		return nil, nil, err
	}
	s, err := ready.Solver.Solve(nil, color, band, 1) // against its own lamps
	if err != nil {
		return nil, nil, err
	}
	if err := ctx.Err(); err != nil {
		return nil, nil, err
	}
	var file bytes.Buffer
	err = png.Encode(&file, plate.Encode(s.RGBA(), plate.SRGB, 16))
	return file.Bytes(), append(found.Warnings, ready.Warnings...), err
}

// upload decodes the plate that r uploads under a name.
func upload(r *http.Request, name string) (image.Image, error) {
	f, _, err := r.FormFile(name)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	defer f.Close()
	data, err := io.ReadAll(f)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	picture, _, err := plate.Decode(data, &plate.ReadLimits{MaxPixels: maxPixels})
	if err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	return picture, nil
}
