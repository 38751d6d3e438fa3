// Package site serves the built playground as any static host should: compressed files to who takes them, and the
// headers that keep the page to itself.
package site

import (
	"io/fs"
	"mime"
	"net/http"
	"path"
	"strings"
)

// Policy is the content security policy: nothing comes from another host, and nothing goes there.
const Policy = "default-src 'none'; script-src 'self' 'wasm-unsafe-eval'; style-src 'self'; img-src 'self' blob: data:; " +
	"media-src 'self' blob:; connect-src 'self'; worker-src 'self'; frame-src 'self'; manifest-src 'self'; " +
	"base-uri 'none'; form-action 'none'; frame-ancestors 'self'"

// Headers go with every file.
var Headers = map[string]string{
	"Content-Security-Policy": Policy,
	"X-Content-Type-Options":  "nosniff",
	"Referrer-Policy":         "no-referrer",
	"Cache-Control":           "no-cache",
}

var types = map[string]string{
	".wasm": "application/wasm", ".js": "text/javascript; charset=utf-8", ".css": "text/css; charset=utf-8",
	".webmanifest": "application/manifest+json", ".svg": "image/svg+xml", ".json": "application/json",
}

// Handler serves the files of dist. A file NAME that has NAME.br or NAME.gz beside it goes out compressed to a
// client that accepts it.
func Handler(dist fs.FS) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		for name, value := range Headers {
			w.Header().Set(name, value)
		}
		name := strings.TrimPrefix(path.Clean("/"+r.URL.Path), "/")
		if name == "" || strings.HasSuffix(r.URL.Path, "/") {
			name = path.Join(name, "index.html")
		}
		kind := types[path.Ext(name)]
		if kind == "" {
			kind = mime.TypeByExtension(path.Ext(name))
		}
		w.Header().Set("Content-Type", kind)
		w.Header().Set("Vary", "Accept-Encoding")
		file := name
		for _, c := range []struct{ encoding, extension string }{{"br", ".br"}, {"gzip", ".gz"}} {
			if !strings.Contains(r.Header.Get("Accept-Encoding"), c.encoding) {
				continue
			}
			if _, err := fs.Stat(dist, name+c.extension); err == nil {
				w.Header().Set("Content-Encoding", c.encoding)
				file = name + c.extension
				break
			}
		}
		data, err := fs.ReadFile(dist, file)
		if err != nil {
			w.Header().Del("Content-Encoding")
			http.NotFound(w, r)
			return
		}
		w.Write(data)
	})
}
