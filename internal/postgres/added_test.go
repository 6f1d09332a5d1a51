package postgres

import (
	"testing"

	"dwellwatch/internal/screen"
)

func added(i *screen.Item) { i.New = true }

// TestWhatMayOnlyAdd: items that may only add change nothing that is stored, held or was taken back, nobody else's chart, and begin
// whoever they tell of.
func TestWhatMayOnlyAdd(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	b.take(item("Procedure/p", "b", "1", evidence, naming("Device/d", "Device/later")), item("Device/d", "", "1", evidence), item("Procedure/gone", "b", "1"))
	b.take(item("Procedure/gone", "b", "2", deleted))
	b.take(item("Procedure/never", "b", "1", deleted))
	b.take(item("Procedure/waits", "c", "1", naming("Device/awaited")))
	before := b.record("b").ChartVersion
	b.wantTake([]screen.Item{
		item("Device/d", "", "9", evidence, added),         // stored, named by another's
		item("Device/later", "", "1", evidence, added),     // not stored, named by another's
		item("Device/awaited", "", "1", evidence, added),   // another's entry waits for it
		item("Procedure/p", "a", "9", evidence, added),     // stored as another's
		item("Procedure/gone", "a", "9", evidence, added),  // deleted
		item("Procedure/never", "a", "9", evidence, added), // deleted before it came
		item("Procedure/waits", "a", "9", evidence, added), // held
		item("Procedure/mine", "a", "1", evidence, naming("Device/mine"), added),
		item("Device/mine", "", "1", evidence, added),
	}, screen.Dropped, screen.Dropped, screen.Dropped, screen.Dropped, screen.Dropped, screen.Dropped, screen.Dropped, screen.Created, screen.Created)
	b.wantChart("b", before, "Device/d v1", "Procedure/p v1")
	b.wantChart("a", 1, "Device/mine v1", "Procedure/mine v1")
	b.wantCount(0, `SELECT count(*) FROM person_alias WHERE patient_id = 'c'`)
	b.wantTake([]screen.Item{item("Procedure/mine", "a", "2", evidence, added), item("Procedure/mine", "a", "1", added)}, screen.Dropped, screen.Dropped)
	b.wantChart("a", 1, "Device/mine v1", "Procedure/mine v1")
	b.wantJobPerVersion()
}
