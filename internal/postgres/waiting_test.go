package postgres

import (
	"fmt"
	"testing"
	"time"

	"golang.org/x/sync/errgroup"

	"dwellwatch/internal/screen"
)

func use(patient, v string, change ...func(*screen.Item)) screen.Item {
	return item("DeviceUseStatement/u", patient, v, append([]func(*screen.Item){naming("Device/d")}, change...)...)
}

func (b *bench) wantWaiting(want int) {
	b.t.Helper()
	b.wantCount(want, `SELECT count(*) FROM waiting`)
}

// TestAUseBeforeItsDevice: rest-hooks have no order, so what names a device that is not here follows nobody, and is joined when
// the device comes and is a filter.
func TestAUseBeforeItsDevice(t *testing.T) {
	t.Parallel()
	for _, first := range []screen.Item{use("a", "1"), item("Procedure/q", "a", "1", naming("Device/d", "Encounter/e"))} {
		t.Run(first.Resource.Type, func(t *testing.T) {
			t.Parallel()
			b := setup(t, Options{PullContext: true})
			b.wantTake([]screen.Item{first}, screen.Waiting)
			b.wantTake([]screen.Item{first}, screen.Waiting)
			b.wantCount(0, `SELECT count(*) FROM person`)
			b.wantCount(0, `SELECT count(*) FROM resource`)
			b.wantCount(0, `SELECT count(*) FROM river_job`)
			b.wantTake([]screen.Item{item("Device/d", "", "1", evidence, holdable)}, screen.Created)
			b.wantChart("a", 1, "Device/d v1", first.Resource.Ref()+" v1")
			b.wantWaiting(0)
			b.wantJobPerVersion()
			b.wantCount(1, `SELECT count(*) FROM river_job WHERE kind = 'pull_context'`)
			b.wantCount(1, `SELECT count(*) FROM resource WHERE type <> 'Device' AND received_at < (SELECT received_at FROM resource WHERE type = 'Device')`)
			b.wantTake([]screen.Item{first}, screen.Duplicate)
		})
	}
}

func TestAUseOfWhatIsNoFilterIsForgotten(t *testing.T) {
	t.Parallel()
	for name, device := range map[string]screen.Item{
		"of nobody":            item("Device/d", "", "1"),
		"of the same patient":  item("Device/d", "a", "1"),
		"a filter of somebody": item("Device/d", "b", "1", evidence),
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			b := setup(t, Options{})
			b.wantTake([]screen.Item{use("a", "1")}, screen.Waiting)
			b.take(device)
			b.wantWaiting(0)
			b.wantCount(0, `SELECT count(*) FROM resource WHERE type = 'DeviceUseStatement'`)
		})
	}
	b := setup(t, Options{})
	b.wantTake([]screen.Item{use("a", "1"), item("Device/d", "", "1")}, screen.Dropped, screen.Dropped)
	two := item("Procedure/q", "a", "1", naming("Device/d", "Device/e"))
	b.wantTake([]screen.Item{two}, screen.Waiting)
	b.take(item("Device/d", "", "1"))
	b.wantWaiting(1) // the other one may be a filter
	b.take(item("Device/e", "", "1", evidence, holdable))
	b.wantChart("a", 1, "Device/e v1", "Procedure/q v1")
}

func TestWhatIsHeldIsJoinedWhenItsPatientIsFollowed(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	b.take(use("a", "1"), item("DeviceUseStatement/other", "b", "1", naming("Device/d")))
	b.take(item("Procedure/p", "a", "1", evidence))
	b.wantChart("a", 1, "DeviceUseStatement/u v1", "Procedure/p v1")
	b.wantWaiting(1)
	b.take(item("Patient/b", "b", "1", linking("a"))) // one person with b
	b.wantWaiting(0)
	b.wantChart("a", 2, "DeviceUseStatement/other v1", "DeviceUseStatement/u v1", "Patient/b v1", "Procedure/p v1")
}

func TestVersionsOfWhatIsHeld(t *testing.T) {
	t.Parallel()
	device := item("Device/d", "", "1", evidence, holdable)
	for name, c := range map[string]struct {
		items []screen.Item
		fates []screen.Fate
		want  string
	}{
		"the newest counts":        {[]screen.Item{use("a", "2"), use("b", "1"), device}, []screen.Fate{screen.Waiting, screen.Stale, screen.Created}, "a: Device/d v1, DeviceUseStatement/u v2"},
		"a newer one replaces":     {[]screen.Item{use("a", "1"), use("b", "2"), device}, []screen.Fate{screen.Waiting, screen.Waiting, screen.Created}, "b: Device/d v1, DeviceUseStatement/u v2"},
		"deleted":                  {[]screen.Item{use("a", "1"), item("DeviceUseStatement/u", "", "", deleted), device}, []screen.Fate{screen.Waiting, screen.Forgotten, screen.Created}, ""},
		"deleted, and sent again":  {[]screen.Item{use("a", "1", ahead(0)), item("DeviceUseStatement/u", "", "", deleted), use("a", "1", ahead(0)), device}, []screen.Fate{screen.Waiting, screen.Forgotten, screen.Stale, screen.Created}, ""},
		"entered in error":         {[]screen.Item{use("a", "1"), use("a", "2", retracted), device}, []screen.Fate{screen.Waiting, screen.Forgotten, screen.Created}, ""},
		"an older deletion":        {[]screen.Item{use("a", "2"), item("DeviceUseStatement/u", "", "1", deleted), device}, []screen.Fate{screen.Waiting, screen.Forgotten, screen.Created}, "a: Device/d v1, DeviceUseStatement/u v2"},
		"no device any more":       {[]screen.Item{use("a", "1"), item("DeviceUseStatement/u", "a", "2"), device}, []screen.Fate{screen.Waiting, screen.Dropped, screen.Created}, ""},
		"a deletion of the device": {[]screen.Item{use("a", "1"), item("Device/d", "", "2", deleted), item("Device/d", "", "3", evidence, holdable)}, []screen.Fate{screen.Waiting, screen.Forgotten, screen.Created}, "a: Device/d v3, DeviceUseStatement/u v1"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			b := setup(t, Options{})
			for n, i := range c.items {
				b.wantTake([]screen.Item{i}, c.fates[n])
			}
			if got := people(b, DefaultFeed); got != c.want {
				t.Errorf("%q, want %q", got, c.want)
			}
			b.wantWaiting(0)
		})
	}
}

func TestWhatIsHeldTooLongIsForgotten(t *testing.T) {
	t.Parallel()
	for holdFor, want := range map[time.Duration]int{0: 1, 31 * 24 * time.Hour: 2, 10 * 24 * time.Hour: 0} {
		b := setup(t, Options{HoldFor: holdFor})
		for days, id := range map[int]string{29: "young", 30: "old"} {
			b.now = time.Now().Add(-time.Duration(days)*24*time.Hour - 2*time.Hour)
			b.take(item("DeviceUseStatement/"+id, "a", "1", naming("Device/d")))
		}
		if _, err := b.EnqueueErasures(t.Context(), time.Hour); err != nil {
			t.Fatal(err)
		}
		b.wantWaiting(want)
	}
}

// TestWhatIsReplayedIsHeldFromThen: an entry that lay in the quarantine for longer than entries are held waits for its device all the same.
func TestWhatIsReplayedIsHeldFromThen(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	if _, err := b.AcceptHeld(t.Context(), []screen.Item{use("a", "1")}, time.Now().AddDate(0, 0, -40)); err != nil {
		t.Fatal(err)
	}
	if _, err := b.EnqueueErasures(t.Context(), time.Hour); err != nil {
		t.Fatal(err)
	}
	b.wantWaiting(1)
	b.wantCount(1, `SELECT count(*) FROM waiting WHERE received_at < now() - interval '39 days' AND expires_at > now() + interval '29 days'`)
}

// TestAUseAndItsDeviceAtOnce: of two calls at the same time one sees the other, whichever of the two ways an entry is joined.
func TestAUseAndItsDeviceAtOnce(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	for n := range 40 {
		feed := fmt.Sprintf("f%d", n)
		in := func(i screen.Item) screen.Item {
			i.Feed = feed
			return i
		}
		brings := item("Device/d", "", "1", evidence, holdable)
		if n%2 == 1 {
			brings = item("Procedure/p", "a", "1", evidence)
		}
		var group errgroup.Group
		for _, i := range []screen.Item{use("a", "1"), brings} {
			group.Go(func() error {
				_, err := b.Accept(t.Context(), []screen.Item{in(i)}, b.now)
				return err
			})
		}
		if err := group.Wait(); err != nil {
			t.Fatal(err)
		}
		b.wantCount(2, `SELECT count(*) FROM resource WHERE feed = $1 AND current`, feed)
	}
	b.wantWaiting(0)
	b.wantJobPerVersion()
}

// TestADeviceThatDoesNotSayWhatItIsSettlesNothing: what is held for a Device stays held until a version tells what it is.
func TestADeviceThatDoesNotSayWhatItIsSettlesNothing(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	b.wantTake([]screen.Item{use("a", "1")}, screen.Waiting)
	b.take(item("Device/d", "", "1", func(i *screen.Item) { i.Vague = true }))
	b.wantWaiting(1)
	b.take(item("Device/d", "", "2", evidence, holdable))
	b.wantWaiting(0)
	b.wantCount(1, `SELECT count(*) FROM person WHERE followed`)
}
