#!/usr/bin/env bash
# Installs HL7's example resources of FHIR R4 (npm package hl7.fhir.r4.examples, pinned by package-lock.json). npm comes
# with testdata/peer/install.sh, which goes before. It may run any number of times and says nothing when there is nothing
# to do.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")"

fail() {
	echo "examples: $1" >&2
	exit 1
}

command -v npm >/dev/null || fail "npm is missing; run testdata/peer/install.sh first"

# npm writes this file last, so an install that was cut short is done again.
done_mark=node_modules/.package-lock.json
if [ ! -e "$done_mark" ] || [ package-lock.json -nt "$done_mark" ] || [ package.json -nt "$done_mark" ]; then
	echo "examples: installing HL7's examples of FHIR R4 (18 MB)"
	output=$(npm ci --ignore-scripts --no-audit --no-fund 2>&1) || {
		echo "$output" >&2
		fail "run 'npm ci --ignore-scripts' in testdata/examples by hand"
	}
fi
