#!/bin/bash
# Looks for known vulnerabilities in what the programs really call. Needs the
# database at vuln.go.dev, or a copy named by GOVULNDB. Without it nothing was
# looked at, and that is said and is a failure: silence would pass for health.
set -uo pipefail
out="$(go tool -modfile=proto/tools/vuln.mod govulncheck ${GOVULNDB:+-db "$GOVULNDB"} ./... 2>&1)"
code=$?
echo "$out"
if grep -q 'fetching vulnerabilities' <<<"$out"; then
  echo
  echo "NOT CHECKED: the database of vulnerabilities cannot be reached from here."
  echo "Run this where https://vuln.go.dev can be, or give a copy: GOVULNDB=file:///path make vuln"
fi
exit $code
