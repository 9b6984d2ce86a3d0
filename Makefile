# Two commands do all: `make run` and `make test`.

SHELL       = /bin/bash
.SHELLFLAGS = -euo pipefail -c

BUF      = go tool -modfile=proto/tools/buf.mod buf
DATA    ?= data/demo
GO_TEST ?= go test

.PHONY: vuln run build test lint tablet tablet-check generate fresh bench soak clean

run: build ## the server with demo data: pages on localhost:8080, gRPC on localhost:9090
	bin/fairlead-server run --demo --quiet --data $(DATA)

build: ## both programs into bin/
	CGO_ENABLED=0 go build -trimpath -o bin/ ./services/cmd/fairlead-server ./clients/cmd/fairlead

test: build lint tablet-check ## everything that can fail; prints one line per package
	.ci/postgres
	.ci/left-out
	$(GO_TEST) -timeout 20m ./...
	$(GO_TEST) -count=1 ./analytics/published -v -run '^TestPublished$$' | tail -n 3

lint: ## format, vet, contract
	@files="$$(gofmt -l $$(git ls-files '*.go' | grep -v '^proto/gen/'))"; if [ -n "$$files" ]; then echo "gofmt wants: $$files"; exit 1; fi
	go vet ./...
	$(BUF) lint
	proto/tools/breaking.sh
	proto/tools/fresh.sh

tablet: ## make the tablet's bundle anew (needs node and npm)
	cd clients/tablet && { [ -d node_modules ] || npm ci --no-audit --no-fund; } && npm run --silent build

tablet-check: ## the tablet's types, tests and bundle; says so when node is not there
	clients/tablet/check.sh

generate: ## regenerate proto/gen from proto/fairlead, and the tablet's types
	$(BUF) generate --template proto/buf.gen.yaml
	go generate ./clients/tablet

bench: ## ratios against raw baselines, in one run; BENCH='-n 1000000' or BENCH='-database postgres://…' (an empty one)
	go run ./services/cmd/fairlead-bench $(BENCH)

soak: ## the server and the ledger killed a thousand times, faults of disk, database and clock, longer fuzzing
	go test ./services/soak -timeout 3h -v -soak.kills 1000
	go test ./services/ledger/sqlite -run Crash -timeout 3h -v -crash.rounds 1000
	go test ./services/ledger/postgres -run 'Cut|Terminated|Restart' -timeout 2h -count 100
	go test ./clients/sheet -run '^$$' -fuzz . -fuzztime 2m

vuln: ## known vulnerabilities in what the programs call; needs vuln.go.dev or GOVULNDB
	proto/tools/vuln.sh

clean:
	rm -rf bin out
