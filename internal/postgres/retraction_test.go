package postgres

import (
	"fmt"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dwellwatch/internal/screen"
)

func TestRetractionBeforePlacementMakesNoPhantom(t *testing.T) {
	t.Parallel()
	for name, first := range map[string]screen.Item{
		"delete with a version":                  item("Procedure/p", "", "2", deleted),
		"delete without a version":               item("Procedure/p", "", "", deleted),
		"entered in error":                       item("Procedure/p", "a", "2", retracted),
		"entered in error and still with a code": item("Procedure/p", "a", "2", retracted, evidence),
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			b := setup(t, Options{})
			b.wantTake([]screen.Item{first}, screen.Forgotten)
			b.wantTake([]screen.Item{item("Procedure/p", "a", "1", evidence)}, screen.Stale)
			b.wantCount(0, `SELECT count(*) FROM person`)
			b.wantCount(0, `SELECT count(*) FROM resource`)
			b.wantCount(0, `SELECT count(*) FROM river_job`)
			b.wantCount(1, `SELECT count(*) FROM retraction`)
		})
	}
}

func TestRetractionInTheSameCallMakesNoPhantom(t *testing.T) {
	t.Parallel()
	for name, items := range map[string][]screen.Item{
		"placement first": {item("Procedure/p", "a", "1", evidence), item("Procedure/p", "", "2", deleted)},
		"delete first":    {item("Procedure/p", "", "2", deleted), item("Procedure/p", "a", "1", evidence)},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			b := setup(t, Options{})
			b.take(items...)
			b.wantCount(0, `SELECT count(*) FROM person`)
			b.take(item("Procedure/p", "a", "1", evidence))
			b.wantCount(0, `SELECT count(*) FROM person`)
		})
	}
}

func TestOnlyANewerVersionRevives(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	b.wantTake([]screen.Item{item("Procedure/p", "", "2", deleted)}, screen.Forgotten)
	b.wantTake([]screen.Item{item("Procedure/p", "a", "3", evidence)}, screen.Created)
	b.wantChart("a", 1, "Procedure/p v3")
	b.wantTake([]screen.Item{item("Procedure/p", "", "4", deleted)}, screen.Updated)
	b.wantChart("a", 2)
	b.wantTake([]screen.Item{item("Procedure/p", "a", "3", evidence)}, screen.Duplicate)
	b.wantTake([]screen.Item{item("Procedure/p", "a", "2", evidence)}, screen.Stale)
	b.wantChart("a", 2)
	b.wantTake([]screen.Item{item("Procedure/p", "a", "5", evidence)}, screen.Updated)
	b.wantChart("a", 3, "Procedure/p v5")
	b.wantJobPerVersion()
}

func TestDeleteWithoutVersionIsUndoneByLaterContent(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	b.wantTake([]screen.Item{item("Device/d", "", "", deleted)}, screen.Forgotten)
	b.wantTake([]screen.Item{item("Device/d", "a", "", evidence)}, screen.Stale)
	b.wantTake([]screen.Item{item("Device/d", "a", "9", evidence)}, screen.Stale)
	b.wantTake([]screen.Item{item("Device/d", "a", "", evidence, updated(0))}, screen.Stale)
	later := item("Device/d", "a", "", evidence, func(i *screen.Item) { i.Resource.LastUpdated = b.now })
	b.wantTake([]screen.Item{later}, screen.Created)
}

// TestOldVersionsToldAfterADeleteWithoutVersion: a deletion comes without a version, and then, in any order, what came before it: the
// placement, its retraction, and the placement after all. None of it counts, whether the patient is followed or not.
func TestOldVersionsToldAfterADeleteWithoutVersion(t *testing.T) {
	t.Parallel()
	stamps := map[string]func(*screen.Item, int){
		"numbers": func(i *screen.Item, n int) { i.Resource.VersionID = fmt.Sprint(n) },
		"times":   func(i *screen.Item, n int) { updated(n)(i); i.Resource.VersionID = fmt.Sprintf("%x-a", 255-n) },
		"both":    func(i *screen.Item, n int) { updated(n)(i); i.Resource.VersionID = fmt.Sprint(n) },
	}
	for name, stamped := range stamps {
		version := func(n int) screen.Item {
			one := item("Device/d", "a", "", evidence)
			if n == 2 {
				one = item("Device/d", "a", "", retracted)
			}
			stamped(&one, n)
			return one
		}
		for _, order := range [][]int{{1, 2, 3}, {1, 3, 2}, {2, 1, 3}, {2, 3, 1}, {3, 1, 2}, {3, 2, 1}} {
			for before, people := range map[string]int{"nothing": 0, "another filter": 1, "the first version": 1} {
				t.Run(fmt.Sprint(name, order, " after ", before), func(t *testing.T) {
					t.Parallel()
					b := setup(t, Options{})
					switch before {
					case "another filter":
						b.take(item("Procedure/p", "a", "1", evidence))
					case "the first version":
						b.take(version(1))
					}
					b.take(item("Device/d", "", "", deleted))
					for _, n := range order {
						b.take(version(n))
					}
					b.wantCount(people, `SELECT count(*) FROM person`)
					b.wantCount(0, `SELECT count(*) FROM resource WHERE id = 'd' AND current AND NOT (deleted OR retracted)`)
				})
			}
		}
	}
}

// TestADeleteReplayedLate: a deletion of which nothing tells the order, and which lay in the quarantine, does not make the one that
// was heard since older.
func TestADeleteReplayedLate(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	b.wantTake([]screen.Item{item("Device/d", "", "", deleted)}, screen.Forgotten)
	if _, err := b.AcceptHeld(t.Context(), []screen.Item{item("Device/d", "", "", deleted)}, b.now.AddDate(0, 0, -2)); err != nil {
		t.Fatal(err)
	}
	between := item("Device/d", "a", "", evidence, func(i *screen.Item) { i.Resource.LastUpdated = b.now.AddDate(0, 0, -1) })
	b.wantTake([]screen.Item{between}, screen.Stale)
}

func TestStrippedRetractionStaysWithItsPerson(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	b.take(item("Procedure/p", "a", "1", evidence))
	b.wantTake([]screen.Item{item("Procedure/p", "", "2", retracted)}, screen.Updated)
	b.wantChart("a", 2, "Procedure/p v2")
	b.wantCount(1, `SELECT count(*) FROM resource WHERE current AND retracted AND person_id = $1`, person("a"))
}

func TestOlderDeleteChangesNothing(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	b.take(item("Procedure/p", "a", "5", evidence))
	b.wantTake([]screen.Item{item("Procedure/p", "", "4", deleted)}, screen.Stale)
	b.wantChart("a", 1, "Procedure/p v5")
}

func TestOtherTypesLeaveNoHash(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	b.wantTake([]screen.Item{item("Observation/o", "", "2", deleted), item("Condition/c", "a", "2", retracted)}, screen.Dropped, screen.Dropped)
	b.wantCount(0, `SELECT count(*) FROM retraction`)
}

func TestTheNewerRetractionIsRemembered(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	b.take(item("Device/d", "", "7", deleted))
	b.take(item("Device/d", "", "3", deleted))
	b.wantTake([]screen.Item{item("Device/d", "a", "6", evidence)}, screen.Stale)
	b.wantTake([]screen.Item{item("Device/d", "a", "8", evidence)}, screen.Created)
}

func TestHashesOfTwoInstallationsDiffer(t *testing.T) {
	t.Parallel()
	var hashes [][]byte
	for range 2 {
		b := setup(t, Options{})
		b.take(item("Device/d", "", "7", deleted))
		hashes = append(hashes, query[[]byte](b, `SELECT hash FROM retraction`)...)
	}
	if len(hashes) != 2 || string(hashes[0]) == string(hashes[1]) {
		t.Errorf("hashes %x: want two different ones", hashes)
	}
}

// TestLateRetractionDoesNotHideANewerOne: the older retraction must not become the version that others are weighed against.
func TestLateRetractionDoesNotHideANewerOne(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	b.take(item("Procedure/first", "a", "1", evidence))
	b.wantTake([]screen.Item{item("Procedure/p", "", "11", deleted)}, screen.Forgotten)
	b.wantTake([]screen.Item{item("Procedure/p", "a", "9", retracted)}, screen.Forgotten)
	b.wantTake([]screen.Item{item("Procedure/p", "a", "10", evidence)}, screen.Stale)
	b.wantChart("a", 1, "Procedure/first v1")
}

func TestContentThatARetractionKeepsOutIsMarked(t *testing.T) {
	t.Parallel()
	for name, gone := range map[string]screen.Item{
		"deleted":          item("Procedure/p", "", "", deleted),
		"entered in error": item("Procedure/p", "a", "", retracted),
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			b := setup(t, Options{})
			outcome := func(i screen.Item) screen.Outcome {
				t.Helper()
				b.now = b.now.Add(time.Hour)
				out, err := b.Accept(t.Context(), []screen.Item{i}, b.now)
				if err != nil {
					t.Fatal(err)
				}
				return out[0]
			}
			content := item("Procedure/p", "a", "", evidence)
			other := item("Procedure/p", "a", "", evidence, naming("Device/d"))
			later := item("Procedure/p", "a", "", evidence, func(i *screen.Item) { i.Resource.LastUpdated = b.now.Add(24 * time.Hour) })
			for n, step := range []struct {
				item screen.Item
				want screen.Outcome
			}{
				{content, screen.Outcome{Fate: screen.Created, Version: 1}},
				{content, screen.Outcome{Fate: screen.Duplicate, Version: 1}},
				{gone, screen.Outcome{Fate: screen.Updated, Version: 2}},
				{content, screen.Outcome{Fate: screen.Duplicate, Version: 1, Retracted: true}},
				{other, screen.Outcome{Fate: screen.Stale, Version: 3, Retracted: true}},
				{later, screen.Outcome{Fate: screen.Updated, Version: 4}},
				{content, screen.Outcome{Fate: screen.Updated, Version: 5, Undecided: true}},
			} {
				if diff := cmp.Diff(step.want, outcome(step.item)); diff != "" {
					t.Errorf("step %d (-want +got):\n%s", n, diff)
				}
			}
		})
	}
	b := setup(t, Options{})
	b.take(item("Device/d", "", "2", deleted))
	out, err := b.Accept(t.Context(), []screen.Item{item("Device/d", "a", "1", evidence)}, b.now)
	if err != nil || !out[0].Retracted || out[0].Fate != screen.Stale {
		t.Errorf("after a retraction of what was not kept: %+v, %v", out, err)
	}
}
