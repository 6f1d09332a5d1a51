package postgres

import (
	"crypto/sha256"
	"testing"
	"time"

	"dwellwatch/internal/screen"
)

func TestOrderOfVersions(t *testing.T) {
	t.Parallel()
	heard := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
	at := func(minute int) time.Time { return heard.Add(time.Duration(minute) * time.Minute) }
	content := func(id string, updated time.Time, body string) version {
		return version{stamp: stamp{id, updated}, receivedAt: heard, digest: sha256.Sum256([]byte(body))}
	}
	removed := func(id string, updated time.Time) version {
		v := content(id, updated, "")
		v.deleted = true
		return v
	}
	mistaken := func(id string, updated time.Time) version {
		v := content(id, updated, "mistaken")
		v.retracted = true
		return v
	}
	moved := func(id string, body string) version {
		v := content(id, time.Time{}, body)
		v.deleted, v.moved = true, true
		return v
	}
	none := time.Time{}
	for _, c := range []struct {
		name     string
		new, cur version
		want     screen.Fate
	}{
		{"higher number", content("10", none, "b"), content("9", none, "a"), screen.Updated},
		{"lower number", content("9", none, "b"), content("10", none, "a"), screen.Stale},
		{"number beats time", content("3", at(1), "b"), content("2", at(5), "a"), screen.Updated},
		{"numbers longer than a machine word", content("99999999999999999999999", none, "b"), content("100000000000000000000000", none, "a"), screen.Stale},
		{"leading zeros are no difference", content("007", none, "b"), content("8", none, "a"), screen.Stale},
		{"same number, later time", content("1", at(2), "b"), content("1", at(1), "a"), screen.Updated},
		{"same number, earlier time", content("1", at(1), "b"), content("1", at(2), "a"), screen.Stale},
		{"same number, same bytes", content("1", none, "a"), content("1", none, "a"), screen.Duplicate},
		{"same number, other bytes: received last", content("1", none, "b"), content("1", none, "a"), screen.Updated},
		{"later time", content("x", at(2), "b"), content("y", at(1), "a"), screen.Updated},
		{"earlier time", content("x", at(1), "b"), content("y", at(2), "a"), screen.Stale},
		{"time where only one has a number", content("7", at(1), "b"), content("", at(2), "a"), screen.Stale},
		{"same time, same bytes", content("", at(1), "a"), content("", at(1), "a"), screen.Duplicate},
		{"same time, other bytes: received last", content("", at(1), "b"), content("", at(1), "a"), screen.Updated},
		{"nothing to tell, same bytes", content("", none, "a"), content("", none, "a"), screen.Duplicate},
		{"nothing to tell: received last", content("", none, "b"), content("", none, "a"), screen.Updated},
		{"opaque ids tell nothing", content("zz", none, "b"), content("aa", none, "a"), screen.Updated},
		{"a time against none: received last", content("", none, "b"), content("", at(1), "a"), screen.Updated},

		{"delete without version of content", removed("", none), content("4", at(1), "a"), screen.Updated},
		{"delete of the same number", removed("4", none), content("4", none, "a"), screen.Updated},
		{"older delete of content", removed("3", none), content("4", none, "a"), screen.Stale},
		{"delete again", removed("", none), removed("4", none), screen.Duplicate},
		{"content of the number that was deleted", content("4", none, "a"), removed("4", none), screen.Stale},
		{"newer content revives", content("5", none, "a"), removed("4", none), screen.Updated},
		{"content without version does not revive", content("", none, "a"), removed("4", none), screen.Stale},
		{"content without version does not revive after a delete without", content("", none, "a"), removed("", none), screen.Stale},
		{"numbered content does not revive after a delete without", content("9", none, "a"), removed("", none), screen.Stale},
		{"content changed after we heard of a delete without version", content("", at(1), "a"), removed("", none), screen.Updated},
		{"content changed before we heard of a delete without version", content("", at(-1), "a"), removed("", none), screen.Stale},
		{"content later than a timed delete", content("", at(2), "a"), removed("", at(1)), screen.Updated},
		{"retraction of content", mistaken("", none), content("4", none, "a"), screen.Updated},
		{"content does not revive after a retraction", content("", none, "a"), mistaken("", none), screen.Stale},
		{"newer content revives after a retraction", content("6", none, "a"), mistaken("5", none), screen.Updated},
		{"retraction again", mistaken("5", none), mistaken("5", none), screen.Duplicate},
		{"delete after a retraction", removed("", none), mistaken("5", none), screen.Updated},

		{"moved away, told again", moved("2", "a"), moved("2", "a"), screen.Duplicate},
		{"moved away, then its patient is followed", content("2", none, "a"), moved("2", "a"), screen.Updated},
		{"moved away, an older one", content("1", none, "b"), moved("2", "a"), screen.Stale},
		{"moved away is not a delete", content("", none, "b"), moved("", "a"), screen.Updated},
	} {
		if got := weigh(c.new, c.cur); got != c.want {
			t.Errorf("%s: %s, want %s", c.name, got, c.want)
		}
	}
}
