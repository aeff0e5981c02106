# culvert: see README.md. Needed beforehand: Go, make, git.

GO       ?= go
FUZZTIME ?= 90s
BIN      := bin/culvert
# The toolchain that go.mod names: an older Go on this machine fetches it as a module.
export GOTOOLCHAIN := $(shell sed -n 's/^toolchain //p' go.mod)+auto
VERSION  := $(shell git describe --tags --always --dirty 2>/dev/null || echo unknown)

# After make fetch nothing needs a network; what would want one fails at once.
OFFLINE  := GOPROXY=off

.NOTPARALLEL:
.PHONY: build demo test fresh fetch lint unit fuzz long bench clean

# The binary needs no C library: it runs on any Linux of its architecture.
build:
	CGO_ENABLED=0 $(GO) build -trimpath -ldflags '-X culvert/cmd/culvert/internal/cli.version=$(VERSION)' -o $(BIN) ./cmd/culvert

# A whole site on this machine: daemon, TUN interface, simulated mesh.
demo: build
	$(BIN) demo

# Everything: downloads what it needs, then runs all checks.
test: fetch lint unit fuzz
	@if [ -s bin/unsteady ]; then cat bin/unsteady; echo 'make test: passed, but for what is not steady'; \
	else echo 'make test: everything passed'; fi

# The same as on a machine that has never run it: no cache, Go's or ours. CI runs this.
fresh:
	@GO='$(GO)' sh .ci/fresh

fetch:
	@echo '== downloads: Debian packages, toolchain, modules, kernel of the test nodes'
	@GO='$(GO)' sh .ci/fetch

lint: fetch
	@echo '== gofmt, go vet, staticcheck'
	@out=$$(gofmt -l $$(git ls-files '*.go')); test -z "$$out" || { echo "not gofmt-ed: $$out"; exit 1; }
	$(OFFLINE) $(GO) vet ./...
	$(OFFLINE) $(GO) tool staticcheck ./...
	@echo '== the same for other gateways: arm64, armv7'
	$(OFFLINE) GOOS=linux GOARCH=arm64 CGO_ENABLED=0 $(GO) vet ./...
	$(OFFLINE) GOOS=linux GOARCH=arm64 CGO_ENABLED=0 $(GO) build ./...
	$(OFFLINE) GOOS=linux GOARCH=arm GOARM=7 CGO_ENABLED=0 $(GO) vet ./...
	$(OFFLINE) GOOS=linux GOARCH=arm GOARM=7 CGO_ENABLED=0 $(GO) build ./...
	@echo '== known vulnerabilities'
	@$(OFFLINE) GO='$(GO)' sh .ci/vuln/check

unit: fetch
	@echo '== tests with the race detector'
	@$(OFFLINE) GO='$(GO)' sh .ci/unit

# All fuzz targets together for FUZZTIME, two at a time.
fuzz: fetch
	@echo '== fuzz targets, $(FUZZTIME) for all'
	@$(OFFLINE) GO='$(GO)' sh .ci/fuzz $(FUZZTIME)

# Scale runs that are too long for every change; make test runs a tenth of each.
long: fetch
	$(OFFLINE) CULVERT_LONG=1 $(GO) test -timeout 60m -count=1 -v -run 'Long|Scale|HandshakeFlood' ./...
	$(OFFLINE) GO='$(GO)' sh .ci/fuzz 1800s

bench:
	$(GO) test -run '^$$' -bench . -benchmem ./...

clean:
	rm -rf bin
