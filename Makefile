# culvert: see README.md. Needed beforehand: Go, make, git.

GO       ?= go
FUZZTIME ?= 10s
BIN      := bin/culvert
# The toolchain that go.mod names: an older Go on this machine fetches it as a module.
export GOTOOLCHAIN := $(shell sed -n 's/^toolchain //p' go.mod)+auto
VERSION  := $(shell git describe --tags --always --dirty 2>/dev/null || echo unknown)

.PHONY: build demo test tools lint unit fuzz long bench clean

# The binary needs no C library: it runs on any Linux of its architecture.
build:
	CGO_ENABLED=0 $(GO) build -trimpath -ldflags '-X main.version=$(VERSION)' -o $(BIN) ./cmd/culvert

# A whole site on this machine: daemon, TUN interface, simulated mesh.
demo: build
	$(BIN) demo

# Everything: installs what it needs where it may, then runs all checks.
test: tools lint unit fuzz
	@echo 'make test: everything passed'

tools:
	@sh .ci/tools

lint:
	@echo '== gofmt, go vet, staticcheck'
	@out=$$(gofmt -l $$(git ls-files '*.go')); test -z "$$out" || { echo "not gofmt-ed: $$out"; exit 1; }
	$(GO) vet ./...
	$(GO) tool staticcheck ./...

unit:
	@echo '== tests with the race detector'
	@GO='$(GO)' sh .ci/unit -timeout 10m

# Each fuzz target for FUZZTIME, two at a time.
fuzz:
	@echo '== fuzz targets, $(FUZZTIME) each'
	@GO='$(GO)' sh .ci/fuzz $(FUZZTIME)

# Scale runs that are too long for every change; make test runs a tenth of each.
long:
	CULVERT_LONG=1 $(GO) test -timeout 60m -count=1 -v -run 'Long|Scale|HandshakeFlood' ./...

bench:
	$(GO) test -run '^$$' -bench . -benchmem ./...

clean:
	rm -rf bin
