#!/usr/bin/env bash
# What needs node: types, tests, and the proof that the committed bundle is what
# the sources make. Without node it says that it did not run; with
# FAIRLEAD_NEEDS_NODE=1, as in continuous integration, that is a failure.
set -euo pipefail
cd "$(dirname "$0")"
absent() {
    echo "tablet: $1; its types, its own tests and the freshness of dist were NOT checked here" >&2
    [ "${FAIRLEAD_NEEDS_NODE:-}" = 1 ] && exit 1
    exit 0
}
command -v node >/dev/null 2>&1 || absent "node is not installed"
if [ ! -d node_modules ]; then
    command -v npm >/dev/null 2>&1 || absent "npm is not installed"
    npm ci --no-audit --no-fund --loglevel=error || absent "npm ci could not fetch what package-lock.json names"
fi
node_modules/.bin/tsc --noEmit -p .
node test/run.mjs >/tmp/fairlead-tablet-test.$$ 2>&1 || { cat /tmp/fairlead-tablet-test.$$; rm -f /tmp/fairlead-tablet-test.$$; exit 1; }
rm -f /tmp/fairlead-tablet-test.$$
out=$(mktemp -d)
trap 'rm -rf "$out"' EXIT
node build.mjs "$out/dist"
if ! diff -r dist "$out/dist" >/dev/null; then
    echo "tablet: dist is stale: run make tablet and commit it" >&2
    exit 1
fi
echo "tablet: types, tests and bundle are as committed"
