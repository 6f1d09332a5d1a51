#!/usr/bin/env bash
# Installs Debian packages that a command of the Makefile needs and that are missing, and says so in one line each. It may
# run any number of times and is silent when there is nothing to do.
# usage: tools/install.sh postgres | documents | browser
set -euo pipefail

have_postgres() {
	[ -n "${DWELLWATCH_PG_BIN:-}" ] && return 0
	local dir
	for dir in $(command -v pg_config >/dev/null && pg_config --bindir) /usr/lib/postgresql/*/bin /usr/pgsql-*/bin /opt/homebrew/opt/postgresql@*/bin /usr/local/opt/postgresql@*/bin $(dirname "$(command -v postgres || echo /nowhere/postgres)"); do
		[ -x "$dir/postgres" ] && [ -x "$dir/initdb" ] && return 0
	done
	return 1
}

have_documents() { command -v pdftotext >/dev/null && command -v pdffonts >/dev/null && command -v qpdf >/dev/null; }

have_browser() { command -v chromium >/dev/null || command -v chromium-browser >/dev/null || command -v google-chrome >/dev/null; }

install() { # what it is for, packages…
	local why=$1
	shift
	if ! command -v apt-get >/dev/null; then
		echo "dwellwatch: $why is missing and apt-get is not here; install: $*" >&2
		exit 1
	fi
	local root=()
	if [ "$(id -u)" -ne 0 ]; then
		command -v sudo >/dev/null || { echo "dwellwatch: $why is missing; as root: apt-get install $*" >&2; exit 1; }
		root=(sudo)
	fi
	echo "dwellwatch: installing $why ($*)"
	local log
	log=$(mktemp)
	if ! { "${root[@]}" apt-get update && "${root[@]}" env DEBIAN_FRONTEND=noninteractive apt-get install -y --no-install-recommends "$@"; } >"$log" 2>&1; then
		tail -n 20 "$log" >&2
		echo "dwellwatch: apt-get could not install $*" >&2
		exit 1
	fi
	rm -f "$log"
}

for what in "$@"; do
	case $what in
	postgres) have_postgres || install "the PostgreSQL server programs" postgresql ;;
	documents) have_documents || install "the PDF checkers" poppler-utils qpdf ;;
	browser) have_browser || install "a browser for the tests of the pages" chromium fonts-dejavu-core ;;
	*) echo "usage: $0 postgres | documents | browser" >&2; exit 2 ;;
	esac
done
