#!/usr/bin/env bash
# Prove that the committed generated code is what the contract generates.
set -euo pipefail
cd "$(dirname "$0")/../.."
out=$(mktemp -d)
trap 'rm -rf "$out"' EXIT
go tool -modfile=proto/tools/buf.mod buf generate --template proto/buf.gen.yaml -o "$out"
if ! diff -r proto/gen "$out/proto/gen"; then
    echo "generated code is stale: run make generate" >&2
    exit 1
fi
echo "contract: generated code is fresh"
