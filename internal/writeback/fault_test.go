package writeback_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"strings"
	"testing"
	"time"

	"dwellwatch/fhir/rest"
	"dwellwatch/internal/compose"
	"dwellwatch/internal/draft"
	"dwellwatch/internal/fault"
	"dwellwatch/internal/peertest"
	"dwellwatch/internal/writeback"
)

func TestFaultsSayWhatTheQueueMustDo(t *testing.T) {
	t.Parallel()
	peer := peertest.Start(t)
	unknown := fmt.Errorf("POST Bundle: %w", rest.ErrUnknownOutcome)
	slow := refused(http.StatusTooManyRequests)
	slow.RetryAfter = 7 * time.Minute
	for name, tc := range map[string]struct {
		err       error
		attention string
		terminal  bool
		keeps     bool // the lease
		from, to  time.Duration
	}{
		"unknown outcome": {unknown, "", false, true, clientTimeout / 2, clientTimeout + time.Second},
		"bad gateway":     {refused(502), "", false, true, clientTimeout / 2, clientTimeout + time.Second},
		"server error":    {refused(500), "", false, true, clientTimeout / 2, clientTimeout + time.Second},
		"not sent":        {refused(0), "", false, false, time.Second, time.Minute},
		"unavailable":     {refused(503), "", false, false, time.Second, time.Minute},
		"too many":        {slow, "", false, false, 7 * time.Minute, 7 * time.Minute},
		"unauthorised":    {refused(401), writeback.AttentionToken, false, false, time.Minute, time.Hour},
		"forbidden":       {refused(403), writeback.AttentionRefused, true, false, 0, 0},
		"unprocessable":   {refused(422), writeback.AttentionRefused, true, false, 0, 0},
		"no version":      {rest.ErrNoVersion, writeback.AttentionNoVersion, true, false, 0, 0},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			b := newBench(t, peer, "")
			b.record.onWrite = func(string) error { return tc.err }
			err := b.once()
			later, ok := errors.AsType[*writeback.Later](err)
			if ok == tc.terminal || ok && (later.After < tc.from || later.After > tc.to) {
				t.Errorf("got %v (%+v)", err, later)
			}
			if tc.terminal && !errors.Is(err, fault.Refused) {
				t.Errorf("got %v, want fault.Refused", err)
			}
			if got := strings.Join(b.store.attention, " "); got != tc.attention {
				t.Errorf("attention %q, want %q", got, tc.attention)
			}
			if b.store.held() != tc.keeps {
				t.Errorf("lease kept: %v, want %v", b.store.held(), tc.keeps)
			}
			if b.store.marks != 0 {
				t.Error("marked as written")
			}
			if err != nil && (strings.Contains(err.Error(), b.key()) || strings.Contains(err.Error(), "127.0.0.1")) {
				t.Errorf("error says too much: %v", err)
			}
		})
	}
	for name, prepare := range map[string]func(*bench){
		"saved document unreadable": func(b *bench) { b.store.wanted.Document = []byte(`{"assessment":{"filters":[]}}`) },
		"document cannot be drawn":  func(b *bench) { b.want(nil) },
		"no priority":               func(b *bench) { b.want(func(d *compose.Document) { d.Referral.Priority = "" }) },
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			b := newBench(t, peer, "", func(c *writeback.Config) {
				if name == "document cannot be drawn" {
					c.Render = func(compose.Document) ([]byte, error) { return nil, errors.New("Testperson Example") }
				}
			})
			prepare(b)
			err := b.once()
			if !errors.Is(err, fault.Refused) || strings.Join(b.store.attention, " ") != writeback.AttentionUnreadable ||
				strings.Contains(err.Error(), "Testperson") {
				t.Errorf("got %v, attention %v", err, b.store.attention)
			}
		})
	}
}

func TestChangesUnderOurHandsAreBounded(t *testing.T) {
	t.Parallel()
	onSharedPeer(t, map[string]func(*testing.T, *bench){
		"every update finds another version": func(t *testing.T, b *bench) {
			b.converge()
			b.want(func(d *compose.Document) { d.Referral.Priority = "asap" })
			before := b.record.writes.Load()
			b.record.onWrite = func(string) error { return refused(http.StatusPreconditionFailed) }
			if later, ok := errors.AsType[*writeback.Later](b.once()); !ok || later.After > time.Minute {
				t.Errorf("got %v", later)
			}
			if n := b.record.writes.Load() - before; n < 3 || n > 12 {
				t.Errorf("%d tries", n)
			}
		},
		"one update finds another version": func(t *testing.T, b *bench) {
			b.converge()
			b.want(func(d *compose.Document) { d.Referral.Priority = "asap" })
			meddled := false
			b.record.onWrite = func(string) error {
				if !meddled {
					meddled = true
					b.byOthers(b.only("Task"), map[string]any{"note.0.text": "meanwhile"})
				}
				return nil
			}
			b.converge()
			if task := b.only("Task"); get(task, "note.0.text") != "meanwhile" || get(task, "priority") != "asap" {
				t.Errorf("%s", task)
			}
		},
		"people take it up between look and write": func(t *testing.T, b *bench) {
			b.converge()
			b.want(func(d *compose.Document) { d.Referral.Reason = draft.NotDue })
			meddled := false
			b.record.onWrite = func(string) error {
				if !meddled {
					meddled = true
					b.byOthers(b.only("Task"), map[string]any{"status": "accepted"})
				}
				return nil
			}
			b.converge()
			if got := get(b.only("Task"), "status"); got != "accepted" {
				t.Errorf("status %s", got)
			}
		},
		"a create that finds several": func(t *testing.T, b *bench) {
			hidden := true
			for range 2 {
				b.plant(compose.Task(b.document, b.config.Site, time.Now(), ""))
			}
			b.record.onSearch = func(typ string, hits []json.RawMessage) []json.RawMessage {
				if typ == "Task" && hidden {
					hidden = false
					return nil
				}
				return hits
			}
			b.converge()
			if tasks := b.entries("Task"); len(tasks) != 2 || get(tasks[1], "status") != "cancelled" {
				t.Errorf("%s", tasks)
			}
			b.quiet()
		},
		// Such a search neither stops us nor makes us put the old version back.
		"a search that goes on giving old versions": func(t *testing.T, b *bench) {
			b.converge()
			old := map[string]json.RawMessage{"Task": b.only("Task"), "DocumentReference": b.only("DocumentReference")}
			b.byOthers(old["Task"], map[string]any{"note.0.text": "meanwhile"})
			b.record.onSearch = func(typ string, hits []json.RawMessage) []json.RawMessage {
				if old[typ] == nil {
					return hits
				}
				return []json.RawMessage{old[typ]}
			}
			b.want(func(d *compose.Document) { d.Referral.Priority = "asap" })
			if err := b.once(); err != nil {
				t.Fatal(err)
			}
			if task := b.only("Task"); get(task, "note.0.text") != "meanwhile" || get(task, "priority") != "asap" {
				t.Errorf("%s", task)
			}
		},
		"a lease that lapses while reading": func(t *testing.T, b *bench) {
			planted := false
			b.record.onSearch = func(typ string, hits []json.RawMessage) []json.RawMessage {
				if typ == "DocumentReference" && !planted { // another worker writes while this one is held up
					planted = true
					b.store.mu.Lock()
					b.store.holder, b.store.until = "", time.Time{}
					b.store.mu.Unlock()
					other := b.config.Site
					other.Installation = otherInstallation
					b.plant(compose.Task(b.document, other, time.Now(), ""))
					time.Sleep(20 * time.Millisecond)
				}
				return hits
			}
			b.config.Timeout, b.config.Margin = time.Millisecond, time.Millisecond
			b.converger = writeback.New(b.config)
			err := b.once()
			if later, ok := errors.AsType[*writeback.Later](err); err != nil && !ok {
				t.Errorf("got %v, %v", later, err)
			}
			b.only("Task")
		},
	})
}

func TestTheLeaseKeepsOthersOut(t *testing.T) {
	t.Parallel()
	peer := peertest.Start(t)
	b := newBench(t, peer, "")
	b.store.holder, b.store.until = "another", time.Now().Add(time.Minute)
	err := b.once()
	if later, ok := errors.AsType[*writeback.Later](err); !ok || !errors.Is(err, writeback.ErrBusy) || later.After <= 0 {
		t.Errorf("got %v", err)
	}
	if b.record.writes.Load() != 0 || b.store.holder != "another" {
		t.Error("the other worker was disturbed")
	}
}
