# make test passes every test from a fresh machine; it says which outside check
# it skips and why. make demo runs the main job on the emulated lab.
GO ?= go
LINT_VERSION := v2.15.0
BIN := $(CURDIR)/bin
PACKAGES ?= ./...
export GOTOOLCHAIN := local
export GOFLAGS := -mod=readonly

.PHONY: test lint vet unit e2e figures test-peers test-router demo bench servers

test: vet lint servers unit figures e2e

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

# The servers that the drivers are tested against, installed and not started
# (each test runs its own), and the published YANG modules with their checker.
# Without root or apt the tests say that they skip.
SERVER_PACKAGES := openssh-server openssh-client snmpd libyuma-base libyang2-tools netconfd
servers:
	@dpkg -s $(SERVER_PACKAGES) >/dev/null 2>&1 || { [ "$$(id -u)" = 0 ] && command -v apt-get >/dev/null && apt-get update -q && RUNLEVEL=1 DEBIAN_FRONTEND=noninteractive apt-get install -y -q --no-install-recommends $(SERVER_PACKAGES); } || echo "not installed: $(SERVER_PACKAGES); the tests that need them skip and say so"

# Fuzz targets run their committed seeds as ordinary tests here.
unit:
	$(GO) test -race -shuffle=on -timeout 40m $(PACKAGES)

# What the race detector makes too slow: a fat-tree of 2,880 switches, and the
# error of demands estimated on all measured matrices, which it prints.
figures:
	$(GO) test -count=1 -v -run 'TestFatTreesFollowTheClosedForm|TestEstimatesBeatTheGravityPrior' ./internal/network

# The whole job with real packets: the demo in both kinds, every fault, and the
# process killed at every journal write. Real time matters there, so it runs by
# itself and without the race detector.
e2e:
	$(GO) test -count=1 -timeout 40m -run 'Demo|TestFaults|TestKilledAtEveryWrite' -v ./cmd/towpath

# test-peers compares the forecasts with daemons that nobody here wrote: FRR,
# BIRD, keepalived, lldpd and Open vSwitch in network namespaces, as root. It
# takes about ten minutes; the tables go to PEERS_REPORT too, with how long a
# forecast and its advice take (docs/validation.md is one such). make test runs a
# short form of it where root and the packages are there.
PEERS_PACKAGES := frr bird2 keepalived lldpd openvswitch-switch iproute2
PEERS_REPORT ?= $(BIN)/peers.md
test-peers:
	dpkg -s $(PEERS_PACKAGES) >/dev/null 2>&1 || { apt-get update -q && RUNLEVEL=1 DEBIAN_FRONTEND=noninteractive apt-get install -y -q --no-install-recommends $(PEERS_PACKAGES); }
	mkdir -p $(dir $(PEERS_REPORT)) && rm -f $(PEERS_REPORT)
	TOWPATH_PEERS=full TOWPATH_PEERS_REPORT=$(abspath $(PEERS_REPORT)) $(GO) test -count=1 -v -timeout 40m ./internal/peers/
	{ printf '## Speed\n\nGo benchmarks on the same machine. BenchmarkForecastAgainstActingItOut says how many times longer acting silences out takes for the accuracy named (Monte-Carlo, one device of 2,000 adjacencies).\n\n```\n'; $(GO) test -run '^$$' -bench 'Forecast|Advice' ./internal/survival/ | grep -E '^Benchmark'; printf '```\n'; } >>$(PEERS_REPORT)

# test-router upgrades a software router that nobody here wrote: FRR under
# OpenSSH in network namespaces, as root, drained, with graceful restart and
# without, and prints the loss that was forecast beside the one measured.
ROUTER_PACKAGES := frr openssh-server openssh-client iproute2
test-router:
	dpkg -s $(ROUTER_PACKAGES) >/dev/null 2>&1 || { apt-get update -q && RUNLEVEL=1 DEBIAN_FRONTEND=noninteractive apt-get install -y -q --no-install-recommends $(ROUTER_PACKAGES); }
	TOWPATH_ROUTER=full $(GO) test -count=1 -v -timeout 30m ./internal/field/

# The measured figures, each beside its peer in the same run.
bench:
	$(GO) run ./bench/staging
	$(GO) run ./bench/network
	$(GO) run ./bench/waves
	$(GO) run ./bench/transfer
