package postgres

import (
	"slices"
	"testing"

	"golang.org/x/sync/errgroup"

	"dwellwatch/internal/screen"
)

func TestDeviceWithoutPatientBeforeItsProcedure(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	b.wantTake([]screen.Item{item("Device/d", "", "1", holdable)}, screen.Created)
	b.wantCount(0, `SELECT count(*) FROM person`)
	b.wantTake([]screen.Item{item("Procedure/p", "a", "1", evidence, naming("Device/d"))}, screen.Created)
	b.wantChart("a", 1, "Device/d v1", "Procedure/p v1")
	b.wantTake([]screen.Item{item("Device/d", "", "2", holdable)}, screen.Updated)
	b.wantChart("a", 2, "Device/d v2", "Procedure/p v1")
	b.wantTake([]screen.Item{item("Device/d", "", "3", deleted)}, screen.Updated)
	b.wantChart("a", 3, "Procedure/p v1")
	b.wantJobPerVersion()
}

func TestDeviceWithoutPatientAfterItsProcedure(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	b.take(item("Procedure/p", "a", "1", evidence, naming("Device/d")))
	b.wantTake([]screen.Item{item("Device/d", "", "1"), item("Device/other", "", "1")}, screen.Created, screen.Dropped)
	b.wantChart("a", 2, "Device/d v1", "Procedure/p v1")
	b.wantJobPerVersion()
}

func TestNamedEntryOfAnotherPatientIsNotKept(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	b.take(item("Procedure/p", "a", "1", evidence, naming("Device/d", "Encounter/e")))
	b.wantTake([]screen.Item{item("Device/d", "b", "1"), item("Encounter/e", "b", "1")}, screen.Dropped, screen.Dropped)
}

func TestTwoStepsAreFollowed(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	b.take(item("Procedure/p", "a", "1", evidence, naming("PractitionerRole/r")))
	b.wantTake([]screen.Item{item("Organization/far", "", "1"), item("Organization/o", "", "1"), item("PractitionerRole/r", "", "1", naming("Organization/o"))},
		screen.Dropped, screen.Created, screen.Created)
	b.wantChart("a", 2, "Organization/o v1", "PractitionerRole/r v1", "Procedure/p v1")
	b.wantTake([]screen.Item{item("Organization/o", "", "2")}, screen.Updated)
	b.wantChart("a", 3, "Organization/o v2", "PractitionerRole/r v1", "Procedure/p v1")
}

func TestEntryOfAnotherFeedIsNotMeant(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	b.take(item("Procedure/p", "a", "1", evidence, naming("Device/d")))
	lab := item("Device/d", "", "1", holdable, func(i *screen.Item) { i.Feed = "lab" })
	b.wantTake([]screen.Item{lab}, screen.Created)
	b.wantChart("a", 1, "Procedure/p v1")
}

func TestTwoPersonsWhoNameOneDevice(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	b.take(item("Procedure/p", "a", "1", evidence, naming("Device/d")), item("Procedure/q", "b", "1", evidence, naming("Device/d")))
	b.wantTake([]screen.Item{item("Device/d", "", "1")}, screen.Created)
	b.wantChart("a", 2, "Device/d v1", "Procedure/p v1")
	b.wantChart("b", 2, "Device/d v1", "Procedure/q v1")
	b.wantJobPerVersion()
}

// TestUseOfAHeldFilterIsEvidence: a device-use statement may say whose the filter is and nothing else.
func TestUseOfAHeldFilterIsEvidence(t *testing.T) {
	t.Parallel()
	held := item("Device/d", "", "1", holdable, evidence)
	use := item("DeviceUseStatement/u", "a", "1", naming("Device/d"))
	for name, calls := range map[string][][]screen.Item{
		"device before":    {{held}, {use}},
		"in one call":      {{held, use}},
		"use stands first": {{use, held}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			b := setup(t, Options{})
			for _, items := range calls {
				b.take(items...)
			}
			b.wantChart("a", 1, "Device/d v1", "DeviceUseStatement/u v1")
		})
	}
}

func TestUseOfATakenBackFilterIsNoEvidence(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	b.take(item("Device/d", "", "1", holdable, evidence))
	b.take(item("Device/d", "", "2", retracted))
	b.wantTake([]screen.Item{item("DeviceUseStatement/u", "a", "1", naming("Device/d"))}, screen.Waiting) // the device may come back
	b.wantCount(0, `SELECT count(*) FROM person`)
}

// TestNamedAndNamingAtOnce: whichever commits last, a chart version read after both must hold both, and its job must come after both.
func TestNamedAndNamingAtOnce(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		before screen.Item // kept beforehand; names what arrives, or nothing
		named  string
	}{
		"directly":         {item("Device/unused", "", "1", holdable), "Device/d"},
		"through a device": {item("Device/d", "", "1", holdable, naming("Organization/o")), "Organization/o"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			for range 15 {
				b := setup(t, Options{})
				b.take(c.before, item("Procedure/first", "a", "1", evidence))
				nameBoth(b, c.named)
				b.Close()
			}
		})
	}
}

// nameBoth accepts a procedure that names Device/d, and what the name says, at once.
func nameBoth(b *bench, named string) {
	b.t.Helper()
	holds := func(r Record) bool {
		return slices.ContainsFunc(r.Resources, func(s Stored) bool { return s.Resource.Ref() == named })
	}
	var group errgroup.Group
	group.Go(func() error {
		_, err := b.Accept(b.t.Context(), []screen.Item{item(named, "", "1", holdable)}, b.now)
		return err
	})
	var seen Record
	group.Go(func() error {
		_, err := b.Accept(b.t.Context(), []screen.Item{item("Procedure/p", "a", "1", evidence, naming("Device/d"))}, b.now)
		if err != nil {
			return err
		}
		seen, err = b.Record(b.t.Context(), person("a"))
		return err
	})
	if err := group.Wait(); err != nil {
		b.t.Fatal(err)
	}
	last := b.record("a")
	if !holds(last) {
		b.t.Fatalf("%s is not in the chart", named)
	}
	if !holds(seen) && seen.ChartVersion == last.ChartVersion {
		b.t.Fatalf("%s came after chart version %d was read, and raised nothing", named, seen.ChartVersion)
	}
	b.wantJobPerVersion()
}

func TestMovingBetweenFollowedPatientsChangesBoth(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{PullContext: true})
	b.take(item("Procedure/p", "a", "1", evidence), item("Observation/o", "a", "1"))
	b.take(item("Procedure/q", "b", "1", evidence))
	b.wantTake([]screen.Item{item("Observation/o", "b", "2")}, screen.Updated)
	b.wantChart("a", 2, "Procedure/p v1")
	b.wantChart("b", 2, "Observation/o v2", "Procedure/q v1")
	b.wantTake([]screen.Item{item("Procedure/p", "b", "2", evidence)}, screen.Updated)
	b.wantChart("a", 3)
	b.wantChart("b", 3, "Observation/o v2", "Procedure/p v2", "Procedure/q v1")
	b.wantJobPerVersion()
	b.wantCount(2, `SELECT pull_wanted::int FROM person WHERE id = $1`, person("b")) // evidence that came to b is new to b
}

func TestMovingEvidenceToSomebodyNewBeginsFollowing(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	b.take(item("Procedure/p", "a", "1", evidence))
	b.wantTake([]screen.Item{item("Procedure/p", "b", "2", evidence)}, screen.Updated)
	b.wantChart("a", 2)
	b.wantChart("b", 1, "Procedure/p v2")
	b.wantTake([]screen.Item{item("Procedure/p", "a", "1", evidence)}, screen.Duplicate)
	b.wantJobPerVersion()
}

func TestMovingToSomebodyNotFollowedKeepsNothingOfIt(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	b.take(item("Procedure/p", "a", "1", evidence), item("Observation/o", "a", "1"))
	moved := item("Observation/o", "b", "2")
	b.wantTake([]screen.Item{moved}, screen.Updated)
	b.wantTake([]screen.Item{moved}, screen.Duplicate)
	b.wantTake([]screen.Item{item("Observation/o", "a", "1")}, screen.Duplicate)
	b.wantChart("a", 2, "Procedure/p v1")
	b.wantCount(0, `SELECT count(*) FROM resource WHERE position('"note":"2' IN convert_from(body, 'UTF8')) > 0`)
	b.wantTake([]screen.Item{item("Procedure/q", "b", "1", evidence), moved}, screen.Created, screen.Updated)
	b.wantChart("b", 1, "Observation/o v2", "Procedure/q v1")
}

func TestDeviceThatGetsAPatientChangesWhoNamedIt(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	b.take(item("Device/d", "", "1", holdable))
	b.take(item("Procedure/p", "a", "1", evidence, naming("Device/d")))
	b.wantTake([]screen.Item{item("Device/d", "b", "2", evidence)}, screen.Updated)
	b.wantChart("a", 2, "Procedure/p v1")
	b.wantChart("b", 1, "Device/d v2")
	b.wantJobPerVersion()
}
