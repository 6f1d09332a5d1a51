#!/usr/bin/env bash
# Installs what the peer server needs, all of it pinned: Node 20.19 or newer (Debian 12's own is 18) and the packages
# of package-lock.json. It may run any number of times and says nothing when there is nothing to do.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")"

fail() {
	echo "peer: $1" >&2
	exit 1
}

# quietly runs a command and shows its output only if it fails.
quietly() {
	local output
	if ! output=$("$@" 2>&1); then
		echo "$output" >&2
		return 1
	fi
}

as_root() {
	if [ "$(id -u)" -eq 0 ]; then
		quietly "$@"
		return
	fi
	command -v sudo >/dev/null || return 1
	quietly sudo "$@"
}

node_is_new_enough() {
	"$1" -e 'const [major, minor] = process.versions.node.split(".").map(Number);
		process.exit(major > 22 || (major === 22 && minor >= 12) || (major === 20 && minor >= 19) ? 0 : 1)' 2>/dev/null
}

if ! command -v npm >/dev/null || ! command -v node >/dev/null; then
	echo "peer: installing nodejs and npm from Debian"
	command -v apt-get >/dev/null || fail "install Node 20.19 or newer with npm by hand"
	as_root apt-get update || fail "install Node 20.19 or newer with npm by hand (apt-get update failed)"
	as_root env DEBIAN_FRONTEND=noninteractive apt-get install -y --no-install-recommends nodejs npm ||
		fail "install Node 20.19 or newer with npm by hand (apt-get install nodejs npm failed)"
fi

if ! node_is_new_enough node && ! { [ -x .node/node ] && node_is_new_enough .node/node; }; then
	echo "peer: fetching Node 20 from the npm registry, since the system has $(node --version)"
	rm -rf .node
	mkdir .node
	cp runtime/package.json runtime/package-lock.json .node/
	(cd .node && quietly npm ci --ignore-scripts --no-audit --no-fund) ||
		fail "install Node 20.19 or newer by hand (npm ci of testdata/peer/runtime failed)"
	for binary in .node/node_modules/node-linux-*/bin/node; do
		[ -x "$binary" ] && ln -s "${binary#.node/}" .node/node
	done
	[ -x .node/node ] && node_is_new_enough .node/node ||
		fail "install Node 20.19 or newer by hand (the npm registry has none for $(uname -sm))"
fi

# npm writes this file last, so an install that was cut short is done again.
done_mark=node_modules/.package-lock.json
if [ ! -e "$done_mark" ] || [ package-lock.json -nt "$done_mark" ] || [ package.json -nt "$done_mark" ]; then
	echo "peer: installing the npm packages"
	quietly npm ci --ignore-scripts --no-audit --no-fund ||
		fail "run 'npm ci --ignore-scripts' in testdata/peer by hand"
fi
