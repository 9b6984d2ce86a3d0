#!/usr/bin/env bash
# Compare the contract with that of the main branch: queued reports outlive
# releases, so wire and JSON must stay compatible.
set -euo pipefail
cd "$(dirname "$0")/../.."
buf=$(go tool -modfile=proto/tools/buf.mod -n buf)
base=""
for ref in origin/main main; do
    if git rev-parse -q --verify "$ref:proto/fairlead" >/dev/null 2>&1; then base=$ref; break; fi
done
if [ -z "$base" ]; then
    echo "contract: no main branch with a contract to compare with"
    exit 0
fi
was=$(mktemp -d)
trap 'rm -rf "$was"' EXIT
git archive "$base" proto buf.yaml | tar -x -C "$was"
"$buf" breaking --against "$was"
echo "contract: compatible with $base"
