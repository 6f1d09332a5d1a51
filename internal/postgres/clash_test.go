package postgres

import (
	"errors"
	"testing"

	"github.com/google/go-cmp/cmp"

	"dwellwatch/internal/fault"
	"dwellwatch/internal/screen"
)

// TestTwoCallsUseOneTemporaryName at the same time: the second sees the first, and is to be sent again.
func TestTwoCallsUseOneTemporaryName(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	temporary := func(i *screen.Item) { i.Temporary = true }
	first, second := item("Procedure/t", "a", "", evidence, temporary), item("Procedure/t", "b", "", evidence, temporary)
	var err error
	b.during(b.hold(first), func() error {
		_, err = b.Accept(t.Context(), []screen.Item{second, item("Procedure/own", "b", "1", evidence)}, b.now)
		return nil
	})
	if !errors.Is(err, fault.Unavailable) {
		t.Errorf("the second call: %v", err)
	}
	b.wantChart("a", 1, "Procedure/t")
	b.wantCount(0, `SELECT count(*) FROM person WHERE id = $1::uuid`, person("b"))
	got, err := b.Clashes(t.Context(), []screen.Item{second, item("Procedure/own", "b", "1", evidence), first})
	if diff := cmp.Diff([]screen.Clash{screen.ClashPatient, "", ""}, got); diff != "" || err != nil {
		t.Errorf("%v (-want +got):\n%s", err, diff)
	}
}

// TestWhatIsHeldIsSomebodysToo: an entry that waits for its device keeps its temporary name for its patient; one that has moved away, or
// never told whose it is, does not.
func TestWhatIsHeldIsSomebodysToo(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	temporary := func(i *screen.Item) { i.Temporary = true }
	b.wantTake([]screen.Item{use("a", "1")}, screen.Waiting)
	b.wantTake([]screen.Item{item("Procedure/n", "", "1", evidence, holdable, temporary)}, screen.Created)
	again := use("b", "1")
	again.Temporary = true
	same := use("a", "1")
	same.Temporary = true
	got, err := b.Clashes(t.Context(), []screen.Item{again, same, item("Procedure/n", "b", "1", evidence, temporary)})
	if diff := cmp.Diff([]screen.Clash{screen.ClashPatient, "", ""}, got); diff != "" || err != nil {
		t.Errorf("%v (-want +got):\n%s", err, diff)
	}
}
