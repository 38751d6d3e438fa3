# make demo    the main job on the built-in take; needs only Go
# make check   what is quick: formatting, vet, staticcheck, the types of the site's modules, tests
# make test    everything that CI runs: every promise once
# make test-all  before a release: the long cases, all in the browser, the race detector, all in WebAssembly too
# make bench   this project, OpenCV and FFmpeg in turn, cores and memory; bench/BASELINE.md keeps a table to compare with
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
# What internal/kernel/gen writes.
MADE   := internal/kernel/avx2_amd64.s internal/kernel/stub_amd64.go
# The tests of what the vector kernels do.
VECTOR := Vectors|Solve|Held|HoldOut|Places|Cubic|Finite|Resample|Valid|Chain
# One part's tests: go test, but a test that was skipped or did not run is a failure; and all the parts, with their times.
SUITE  := $(GO) run ./internal/test/suite
TEST   := $(SUITE) test
NODE   := $(shell $(GO) env GOROOT)/lib/wasm/go_js_wasm_exec
DEMO   ?= demo
SEED   ?= 1

FUZZTIME ?= 10m
VERSION ?= $(shell git describe --tags --exact-match 2>/dev/null)

.PHONY: demo proof proof-registration proof-footage site play test check test-all deps lint types vuln unit outside race libdeflate wasm vectors simd arm64 bench bench-browser kernels scale memory fuzz slurm release clean

demo:
	$(GO) run ./cmd/twinplate demo --out $(DEMO)

site: site/node_modules
	node site/build.mjs

site/node_modules: site/package-lock.json
	npm ci --prefix site
	@touch $@

play: site
	$(GO) run ./site/play

check:
	@$(SUITE) lint types unit

# The best compression takes a minute and a half, and what travels is counted by make test-all.
test: deps
	@TWINPLATE_TESTS=test BROTLI=4 $(SUITE) site lint types vuln outside vectors arm64

test-all: deps
	@TWINPLATE_TESTS=all $(SUITE) site lint types vuln outside vectors arm64 simd libdeflate wasm race

# The independent references that the checks against the outside run, and Node for js/wasm. Nothing is done
# where all are there.
deps:
	@.ci/deps

lint:
	@bad=$$(gofmt -l $$(git ls-files '*.go')); if [ -n "$$bad" ]; then echo "gofmt: $$bad"; exit 1; fi
	$(GO) vet ./...
	GOOS=js GOARCH=wasm $(GO) vet ./wasm/...
	$(TOOL) staticcheck ./...
	$(GO) -C internal/kernel/gen vet .
	@before=$$(sha256sum $(MADE)); $(GO) generate ./internal/kernel && [ "$$before" = "$$(sha256sum $(MADE))" ] || \
		{ echo "$(MADE): not what go generate ./internal/kernel makes; now they are"; exit 1; }

# The site's modules, by the types in their comments: two programs, since a worker has other names than a page.
types: site/node_modules
	npm run --silent --prefix site types

# The database of vulnerabilities is not everywhere within reach: then this says so and passes.
vuln:
	@out=$$($(TOOL) govulncheck ./... 2>&1); code=$$?; \
	if echo "$$out" | grep -q 'fetching vulnerabilities'; then echo "govulncheck: not run, its database cannot be reached from here"; \
	else echo "$$out"; exit $$code; fi

unit:
	@$(TEST) -short ./...

# The packages whose tests take longest are begun first, so that none is left for one core.
outside:
	@$(TEST) -count=1 -timeout=60m ./take ./align ./cmd/twinplate ./site ./internal/app/proof ./...

race:
	@$(TEST) -race -short -timeout=60m ./...

# With the C library that inflates plates.
libdeflate:
	$(GO) vet -tags libdeflate ./plate
	@$(TEST) -short -tags libdeflate ./plate ./take

wasm:
	@$(TEST) GOOS=js GOARCH=wasm -short -timeout=60m -exec="$(NODE)" $(CORE)

# The kernels that other tests do not run: the plain loops, by themselves and in what they are used for, what the
# releases' toolchain makes of the vectors, and those of WebAssembly; and there also how a file of the browser's is read.
vectors:
	@$(TEST) GODEBUG=cpu.avx2=off -count=1 ./internal/kernel
	@$(TEST) GODEBUG=cpu.avx2=off -count=1 -short -run='$(VECTOR)' ./align ./matte ./composite ./take
	@$(TEST) $(SIMD) ./internal/kernel
	@$(TEST) GOOS=js GOARCH=wasm $(SIMD) -short -run='$(VECTOR)|^TestWorkerFiles' -exec="$(NODE)" ./wasm/engine ./internal/kernel ./take

# The same kernels by the vectors of another processor, which QEMU plays.
arm64:
	@$(TEST) CGO_ENABLED=0 GOOS=linux GOARCH=arm64 $(SIMD) -exec=qemu-aarch64-static ./internal/kernel

simd:
	@$(TEST) $(SIMD) -short $(CORE)
	@$(TEST) GOOS=js GOARCH=wasm $(SIMD) -short -run='$(VECTOR)' -exec="$(NODE)" ./plate ./align ./matte ./composite

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
	TWINPLATE_TESTS=test $(GO) test -run='^$$' -bench=. -benchtime=1x ./bench/browser ./site

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
