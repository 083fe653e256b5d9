# Shorthands. Nothing here is needed to build or test: "go build ./cmd/sequencerd" and "go test -p 1 ./..." do.

.PHONY: check test race bench bench-compare fuzz faults demo-links board-test build cross packages package-test service-test clean

FUZZTIME ?= 10s

check: ## what CI runs
	bash .ci/run

test:
	go test -p 1 -timeout 20m ./...

race:
	go test -race ./...

bench: ## the table of docs/figures.md: goal, figure, yardstick. Six minutes, on a machine with nothing else to do; as root also at the service's priority
	go run ./internal/figures -out bin/figures.md

BASE ?= HEAD~1

bench-compare: ## the benchmarks of BASE beside those of the tree as it is, by benchstat
	@rm -rf bin/base && git worktree prune && git worktree add -q --detach bin/base $(BASE)
	cd bin/base && go test -run '^$$' -bench . -benchmem -count 6 ./internal/ramp ./internal/sequencer ./internal/rehearse ./internal/schedule >../base.txt
	go test -run '^$$' -bench . -benchmem -count 6 ./internal/ramp ./internal/sequencer ./internal/rehearse ./internal/schedule >bin/now.txt
	@git worktree remove --force bin/base
	go tool benchstat bin/base.txt bin/now.txt

# FUZZ=Swum for the targets with that in their name, FUZZFLAGS=-parallel=1 to leave the other cores alone. Inputs are made smaller for a second each: by itself Go takes
# a minute for each, and would try no other in that time.
fuzz: ## each fuzz target of docs/fuzzing.md for FUZZTIME; ends at a finding, whose input is then below testdata/fuzz
	@list=$$(grep -ro --include='*_test.go' --exclude-dir=bin '^func Fuzz[A-Za-z0-9]*' . | sed 's|/[^/]*:func | |' | grep '$(FUZZ)' | sort); \
	[ -n "$$list" ] || { echo "no target is called so" >&2; exit 1; }; \
	echo "$$list" | while read -r p f; do \
		echo "== $$p $$f"; \
		go test -run '^$$' -fuzz "^$$f\$$" -fuzztime $(FUZZTIME) -fuzzminimizetime 1s $(FUZZFLAGS) $$p </dev/null || { echo "== $$p $$f: FOUND SOMETHING" >&2; exit 1; }; \
	done && echo "== nothing found by $$(echo "$$list" | wc -l) targets"

FAULTS ?= 1000
SEED ?= 1

faults: ## so many faults against the real program; broken off, it goes on where it was with the same SEED
	@mkdir -p bin
	SEQUENCERD_FAULTS=$(FAULTS) SEQUENCERD_FAULTS_SEED=$(SEED) SEQUENCERD_FAULTS_KEEP=$(CURDIR)/bin/faults-$(SEED).json \
		go test -count=1 -timeout 3h -v ./internal/faults

DEMO ?= first-swim

demo-links: ## a whole demo at real speed over a serial line and over a broker, asked against delivered: best on a machine with nothing else to do
	SEQUENCERD_DEMO=$(DEMO) go test -count=1 -timeout 2h -v -run TestASessionDeliversItsDistanceOverEachLink ./cmd/sequencerd

STOPS ?= 20

board-test: ## the whole thing on a virtual board with so many stops; UPDATE=yes writes the table into docs/board.md
	internal/board/fetch-kernel.sh bin/board-kernel
	SEQUENCERD_BOARD_KERNEL=$(CURDIR)/bin/board-kernel SEQUENCERD_BOARD_STOPS=$(STOPS) SEQUENCERD_BOARD_KEEP=$(CURDIR)/bin/board-consoles.txt \
		go test -count=1 -timeout 3h -v -tags board ./internal/board $(if $(UPDATE),-update)

build:
	CGO_ENABLED=0 go build -trimpath -o bin/ ./cmd/sequencerd

cross: ## amd64, arm64 and arm v7, without C
	@set -e; for a in amd64 arm64 arm; do \
		echo "bin/linux-$$a"; \
		CGO_ENABLED=0 GOOS=linux GOARCH=$$a GOARM=7 go build -trimpath -o bin/linux-$$a/ ./cmd/sequencerd; \
	done

packages: ## .deb for amd64, arm64, armhf in bin/packages; VERSION=1.2.3 for a version that is no tag
	rm -rf bin/packages
	go run ./deploy/deb $(if $(VERSION),-version $(VERSION))

bin/packages:
	$(MAKE) packages

bin/trial: FORCE
	CGO_ENABLED=0 go build -trimpath -o $@ ./deploy/trial

FORCE:

package-test: bin/packages bin/trial ## installed, upgraded, removed, purged by dpkg in a minimal Debian; Arm builds under emulation. As root
	bin/trial -only unpacked

service-test: bin/packages bin/trial ## the same under that Debian's systemd: swum, hung, upgraded in mid-swim. As root
	bin/trial -only service

clean:
	rm -rf bin
