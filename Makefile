# make test passes every test from a fresh machine; it says which outside check
# it skips and why. make demo runs the main job on the emulated lab.
GO ?= go
LINT_VERSION := v2.15.0
BIN := $(CURDIR)/bin
PACKAGES ?= ./...
export GOTOOLCHAIN := local
export GOFLAGS := -mod=readonly

.PHONY: test lint vet unit fuzz-seeds demo bench tools

test: vet lint unit

demo:
	$(GO) run ./cmd/towpath demo

vet:
	$(GO) vet $(PACKAGES)

# golangci-lint is a pinned binary, built once into bin/ from its module.
$(BIN)/golangci-lint-$(LINT_VERSION):
	mkdir -p $(BIN)
	cd $$(mktemp -d) && GOFLAGS= GOBIN=$(BIN) $(GO) install github.com/golangci/golangci-lint/v2/cmd/golangci-lint@$(LINT_VERSION)
	mv $(BIN)/golangci-lint $@

lint: $(BIN)/golangci-lint-$(LINT_VERSION)
	$< run $(PACKAGES)

# Fuzz targets run their committed seeds as ordinary tests here.
unit:
	$(GO) test -race -shuffle=on -timeout 40m $(PACKAGES)
