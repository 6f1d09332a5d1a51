# make demo [ARGS=--once]  show the whole job on an invented hospital
# make test                every test; installs what it needs where apt can
# make help                the rest
GO      ?= go
TAGS    := nomsgpack
COMMIT  := $(shell git rev-parse --short=12 HEAD 2>/dev/null)
export GOFLAGS := -trimpath -buildvcs=false
SOURCES := $(shell git ls-files -co --exclude-standard -- '*.go' go.mod go.sum 'migrations/*.sql' 'internal/chart/valuesets/*' 'internal/demo/*' 'api/*/pages/*' 'api/*/assets/*' openapi.yaml 2>/dev/null)

.PHONY: help demo test test-deps vet lint race bench chaos build clean

help:
	@sed -n 's/^# make/make/p' Makefile
	@echo "make build               bin/dwellwatch"
	@echo "make race                the tests under the race detector (needs a C compiler)"
	@echo "make bench               the benchmarks"
	@echo "make chaos               kills of the service and of PostgreSQL, the long form (about ten minutes)"
	@echo "make lint                golangci-lint, built from tools/lint (slow the first time)"

bin/dwellwatch: $(SOURCES)
	@echo "building dwellwatch (the first time takes two minutes on two cores)"
	@$(GO) build -tags $(TAGS) -ldflags '-X main.commit=$(COMMIT)' -o $@ ./cmd/dwellwatch

build: bin/dwellwatch

demo: bin/dwellwatch
	@tools/install.sh postgres
	@bin/dwellwatch demo --documents .run/documents $(ARGS)

test-deps:
	@tools/install.sh postgres documents browser
	@testdata/peer/install.sh
	@testdata/examples/install.sh
	@cd tools/fhirvalidate && $(GO) build -o ../../.tools/fhirvalidate .

test: test-deps vet
	$(GO) test -tags $(TAGS) -count=1 -timeout 12m ./...
	cd tools/fhirvalidate && $(GO) test -count=1 ./...

vet:
	@test -z "$$(gofmt -l $$(git ls-files '*.go'))" || { echo "gofmt would change:"; gofmt -l $$(git ls-files '*.go'); exit 1; }
	$(GO) vet -tags $(TAGS) ./...

race: test-deps
	CGO_ENABLED=1 $(GO) test -tags $(TAGS) -race -count=1 -timeout 30m ./...

bench:
	$(GO) test -tags $(TAGS) -run '^$$' -bench . -benchmem ./...
	$(GO) test -tags $(TAGS) -count=1 -run '^TestPromptBesideOneQuery$$' -v ./cmd/dwellwatch
	cd tools/cqlbench && $(GO) test -cpu 1 -run '^$$' -bench . -benchmem . && $(GO) test -cpu 1 -count=1 -run TestTimesAsFast -v .

chaos: test-deps
	DWELLWATCH_CHAOS=long $(GO) test -tags $(TAGS) -count=1 -timeout 60m -run '^TestChaos$$' -v ./cmd/dwellwatch

lint:
	cd tools/lint && $(GO) build -o ../../.tools/golangci-lint github.com/golangci/golangci-lint/v2/cmd/golangci-lint
	.tools/golangci-lint run --build-tags $(TAGS) ./...

clean:
	rm -rf bin .tools .run testdata/peer/node_modules testdata/peer/.node testdata/examples/node_modules
