package postgres

import (
	"testing"

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
