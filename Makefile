# make demo    the main job on the built-in take; needs only Go
# make test    everything that CI runs
# make check   what is quick: formatting, vet, staticcheck, the types of the site's modules, tests
# make bench   this project and OpenCV in turn, one table; bench/BASELINE.md keeps one to compare with
# make bench-browser  one HD frame in a browser's worker, and by OpenCV's build for it; the playground's cold start and scrubbing
# make kernels the Go benchmarks of every package
# make site    the playground, into dist/, ready for any static host
# make play    builds it and serves it on this machine
# make scale   time and memory against frame size and number of frames
# make fuzz    every fuzz target for FUZZTIME (10m), one after the other
# make slurm   the job array of examples/slurm on a real Slurm on this machine; as root
# make release the programs, the site and their checksums, into release/
# make memory  peak memory on 1000 HD frames within 10 % of that on 50

GO     ?= go
TOOL   := $(GO) tool -modfile=tools/go.mod
CORE   := ./internal/kernel ./internal/half ./plate ./plate/exr ./align ./matte ./composite ./rig ./take
# The portable vector package needs this toolchain; the module itself stays at the go.mod version.
SIMD   := GOTOOLCHAIN=go1.27.3 GOEXPERIMENT=simd
# The tests of what the vector kernels do.
VECTOR := Solve|Held|HoldOut|Places|Cubic|Finite|Resample|Valid|Chain
NODE   := $(shell $(GO) env GOROOT)/lib/wasm/go_js_wasm_exec
DEMO   ?= demo
SEED   ?= 1

FUZZTIME ?= 10m
VERSION ?= $(shell git describe --tags --exact-match 2>/dev/null)

.PHONY: demo proof proof-registration proof-footage site play test check deps lint types vuln unit outside race libdeflate wasm simd bench bench-browser kernels scale memory fuzz slurm release clean

demo:
	$(GO) run ./cmd/twinplate demo --out $(DEMO)

site: site/node_modules
	node site/build.mjs

site/node_modules: site/package-lock.json
	npm ci --prefix site
	@touch $@

play: site
	$(GO) run ./site/play

check: lint types unit

# The order is from quick to slow.
test: deps site lint types vuln outside race libdeflate wasm simd

# The independent references that the checks against the outside run, and Node for js/wasm. Nothing is done
# where all are there.
deps:
	@.ci/deps

lint:
	@bad=$$(gofmt -l $$(git ls-files '*.go')); if [ -n "$$bad" ]; then echo "gofmt: $$bad"; exit 1; fi
	$(GO) vet ./...
	GOOS=js GOARCH=wasm $(GO) vet ./wasm/...
	$(TOOL) staticcheck ./...

# The site's modules, by the types in their comments: two programs, since a worker has other names than a page.
types: site/node_modules
	npm run --silent --prefix site types

# The database of vulnerabilities is not everywhere within reach: then this says so and passes.
vuln:
	@out=$$($(TOOL) govulncheck ./... 2>&1); code=$$?; \
	if echo "$$out" | grep -q 'fetching vulnerabilities'; then echo "govulncheck: not run, its database cannot be reached from here"; \
	else echo "$$out"; exit $$code; fi

unit:
	$(GO) test ./...

outside:
	TWINPLATE_OUTSIDE=1 $(GO) test -count=1 ./...

race:
	$(GO) test -race -short -timeout=30m ./...

# With the C library that inflates plates.
libdeflate:
	$(GO) vet -tags libdeflate ./plate
	$(GO) test -short -tags libdeflate ./plate ./take

wasm:
	GOOS=js GOARCH=wasm $(GO) test -short -timeout=30m -exec="$(NODE)" $(CORE)

simd:
	$(SIMD) $(GO) test -short $(CORE)
	GODEBUG=simd=256 $(SIMD) $(GO) test -count=1 ./internal/kernel
	$(SIMD) GOOS=js GOARCH=wasm $(GO) test -short -run='$(VECTOR)' -exec="$(NODE)" ./internal/kernel ./align ./matte ./composite ./take

# Twenty takes with random faults against the noise floor; SEED=500 gives fresh ones.
proof:
	$(GO) run ./cmd/twinplate proof --seed $(SEED)

# Twenty random rigs at 1920x1080: the geometry from footage and from a chart, and the frame offset.
proof-registration:
	$(GO) run ./cmd/twinplate proof --registration --seed $(SEED)

# Forty takes that another program drew, with faults and codecs, against truth and noise floor.
proof-footage: deps
	$(GO) run ./cmd/twinplate proof --footage --seed $(SEED)

bench: deps
	/usr/bin/python3 bench/run.py

bench-browser: site bench/browser/node_modules
	TWINPLATE_OUTSIDE=1 $(GO) test -run='^$$' -bench=. -benchtime=1x ./bench/browser ./site

bench/browser/node_modules: bench/browser/package-lock.json
	npm ci --prefix bench/browser
	@touch $@

kernels:
	$(SIMD) $(GO) test -run='^$$' -bench=. -benchmem $(CORE)

scale:
	/usr/bin/python3 bench/scale.py

# What it finds is kept in the package's testdata/fuzz, and go test tries it from then on.
fuzz:
	@for p in $$(git ls-files '*_test.go' | xargs grep -l '^func Fuzz' | xargs -n1 dirname | sort -u); do \
		for f in $$(cat $$p/*_test.go | sed -n 's/^func \(Fuzz[A-Za-z0-9]*\).*/\1/p'); do \
			echo "$$p $$f"; \
			$(GO) test -run='^$$' -fuzz="^$$f\$$" -fuzztime=$(FUZZTIME) -fuzzminimizetime=3s ./$$p || exit 1; \
		done; \
	done

slurm:
	GO=$(GO) examples/slurm/prove.sh

release: site
	GO=$(GO) tools/release.sh "$(VERSION)"

memory:
	/usr/bin/python3 bench/memory.py

clean:
	rm -rf bin dist demo out release site/node_modules
