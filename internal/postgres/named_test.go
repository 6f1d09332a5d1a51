package postgres

import (
	"fmt"
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
	b.wantTake([]screen.Item{item("DeviceUseStatement/u", "a", "1", naming("Device/d"))}, screen.Dropped)
}

// TestDeviceAndProcedureAtOnce: whichever commits last, the last chart version must hold both.
func TestDeviceAndProcedureAtOnce(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	for n := range 40 {
		patient, device := fmt.Sprintf("a%d", n), fmt.Sprintf("Device/d%d", n)
		b.take(item("Procedure/first-"+patient, patient, "1", evidence))
		var group errgroup.Group
		group.Go(func() error {
			_, err := b.Accept(t.Context(), []screen.Item{item(device, "", "1", holdable)}, b.now)
			return err
		})
		var seen []Stored
		group.Go(func() error {
			_, err := b.Accept(t.Context(), []screen.Item{item("Procedure/"+patient, patient, "1", evidence, naming(device))}, b.now)
			if err != nil {
				return err
			}
			r, err := b.Record(t.Context(), person(patient))
			seen = r.Resources
			if r.ChartVersion == 3 && len(seen) != 3 {
				err = fmt.Errorf("chart version 3 holds %d resources", len(seen))
			}
			return err
		})
		if err := group.Wait(); err != nil {
			t.Fatal(err)
		}
		r := b.record(patient)
		if len(seen) == 2 && r.ChartVersion != 3 {
			t.Fatalf("the device came after version %d was read, and raised nothing", r.ChartVersion)
		}
		if len(r.Resources) != 3 {
			t.Fatalf("%d resources, want 3", len(r.Resources))
		}
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
