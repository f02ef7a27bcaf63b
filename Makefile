# crownmark: what a person types. `make demo` and `make test` need nothing but
# Go, git and make; the rest is installed when it is missing.
GO ?= go
SEED ?= 1

# What is looked at in a browser or on paper, over whole jobs and calibrations: too slow under the race detector.
PAGES = InABrowser|EveryPage|German|ComparePage|IndexView|Report|CurvesAreWhole|Issued|Indicators?Page|BrowsersLanguage|Study|RegisterPage|InstrumentForm|Touched|Certificate|EncoderIsCertified|CheckOnABlock
# Races are looked for everywhere; the pointers of SQLite's translated C are not checked besides, which takes as long again.
RACE = -race -gcflags='modernc.org/...=-d=checkptr=0'

.PHONY: help build demo test check unit race pages e2e bench accuracy accuracy-calibrate soak faults-long fuzz vuln need clean

help: ## this list
	@grep -hE '^[a-z-]+:.*##' Makefile | sed 's/:.*## /\t/' | expand -t 12

build: ## bin/crownmark, one static file
	CGO_ENABLED=0 $(GO) build -trimpath -ldflags "-s -w" -o bin/crownmark ./cmd/crownmark

demo: build ## the whole job on a virtual bench, then the page; Ctrl-C ends it
	bin/crownmark demo

test: need check unit race pages e2e ## everything that must pass

check: ## format, vet, staticcheck, tidy
	@f=$$(gofmt -l $$(git ls-files '*.go')); [ -z "$$f" ] || { echo "gofmt would change: $$f"; exit 1; }
	$(GO) mod tidy -diff
	$(GO) vet ./...
	$(GO) tool staticcheck ./...

unit: ## fit and what stands on it: no ports, no clock
	$(GO) test ./fit/...

race: ## ports, store and API under the race detector
	$(GO) test $(RACE) -p 1 ./acquire/... ./store/...
	$(GO) test $(RACE) -skip '$(PAGES)' ./dashboards/...

pages: ## every page in a real browser, reports on paper
	$(GO) test -run '$(PAGES)' ./dashboards/...

e2e: ## the program as a whole: commands, demo, kill -9, another program's bytes
	$(GO) test -p 1 ./cmd/...

bench: ## timing goals, as ratios measured in one run (needs Python with scipy)
	$(GO) test -run '^$$' -bench . -benchtime 1x -p 1 ./acquire ./store/... ./dashboards ./cmd/... ./fit/...

accuracy: ## thousands of virtual jobs: errors, how often the doubt covers them, how near the limit
	$(GO) test -tags accuracy -run 'TestAccuracyOfManyJobs|TestAgainstTheLimit|TestDoubtOfHeights' -timeout 180m -count 1 -v ./cmd/crownmark

accuracy-calibrate: ## virtual indicators: how often a calibration's doubts cover, and verdicts at the limit
	$(GO) test -tags accuracy -run 'TestDoubtsOfManyIndicators|TestIndicatorsAtTheLimit' -timeout 60m -count 1 -v ./fit/calibrate

soak: ## 5,000 readings a second for a minute, into the release build
	$(GO) test -tags soak -run TestRealDiskFull -count 1 ./store
	$(GO) test -tags soak -run TestSoak -v -count 1 -timeout 20m ./cmd/crownmark

faults-long: need ## kill -9 in mid-sweep, fifty times; plugs pulled, two hundred; restarts under a page, twenty
	CROWNMARK_UNPLUGS=200 $(GO) test -run TestUnplugInMidSweep -v -count 1 -timeout 30m ./acquire
	CROWNMARK_RESTARTS=20 $(GO) test -run TestPageOutlivesTheDaemon -v -count 1 ./cmd/crownmark
	CROWNMARK_KILLS=50 $(GO) test -run TestKilledInMidSweep -v -count 1 -timeout 60m ./cmd/crownmark

fuzz: ## a minute on each fuzz target
	@for p in $$($(GO) list ./...); do for t in $$($(GO) test -list '^Fuzz' $$p | grep '^Fuzz'); do \
		$(GO) test -run '^$$' -fuzz "^$$t$$" -fuzztime 60s -fuzzminimizetime 10x $$p || exit 1; done; done

vuln: ## known faults in what we depend on (needs the vulnerability database)
	$(GO) run golang.org/x/vuln/cmd/govulncheck@v1.9.0 ./...

need: ## install what the tests need and is not there
	@.ci/need

clean:
	rm -rf bin out
