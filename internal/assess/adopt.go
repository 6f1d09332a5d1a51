package assess

import (
	"cmp"
	"slices"
	"strings"

	"dwellwatch/internal/draft"
	"dwellwatch/internal/filter"
	"dwellwatch/internal/rules"
)

// Asking is a question that stands under a key.
type Asking struct {
	Key      string
	Approved bool       // a clinician made it an order
	Until    filter.Day // the day to which a person put it off; 0 where nobody did
}

// hold says how firmly a question holds its key in a merge; what holds more comes first.
type hold int

const (
	holdNone     hold = iota // nothing stands, or it was answered
	holdPutOff               // put off by a person: its day holds only where no other question is open
	holdOpen                 // stands, and nobody has touched it
	holdApproved             // an order by a clinician
	holdTaken                // people have taken the Task up: its status is theirs
)

// holds says of each key with a question how firmly it holds. seen is how our Tasks stand in the record, tasks are these.
func holds(rec Record, seen map[string]draft.Seen, tasks []rules.OwnTask, asOf filter.Day) map[string]hold {
	out := map[string]hold{}
	for _, a := range rec.Asking {
		switch {
		case answered(seen[a.Key].Status):
		case a.Approved:
			out[a.Key] = holdApproved
		case a.Until > asOf:
			out[a.Key] = holdPutOff
		default:
			out[a.Key] = holdOpen
		}
	}
	for _, t := range tasks {
		if t.ClosedByUs || slices.Contains(rec.Past, t.Ref) {
			continue
		}
		switch state := draft.StateOf(t.Status); {
		case state == draft.TaskMovedOn:
			out[t.Key] = holdTaken
		case state == draft.TaskDraft && t.Order:
			out[t.Key] = max(out[t.Key], holdApproved)
		}
	}
	return out
}

// answered reports whether people ended a Task of this status.
func answered(status string) bool {
	state := draft.StateOf(status)
	return state == draft.TaskDeclined || state == draft.TaskDone
}

// adopt puts the keys in the order in which they win a merge, and adds those that our own Tasks in the record carry, so that a rebuilt
// database finds its filters again.
//
// A key whose Task people have taken up wins over any other, then one that a clinician has approved: neither is ended because two
// records turn out to tell of one filter. Then comes a question that stands open, then one that a person put off, and at last what
// people have answered: what they declined in one of the two records is not the answer to what stands open in the other. A key that
// was merged while the context was being read, and whose question therefore still stands, is among these; so is one that people took
// up before they could see the merge. Among equals the oldest wins. Any other key that was merged stays behind.
//
// A key under which this database has not asked, and whose Task is not over by our hand, was asked under by an earlier one: so it is
// older than any known key, wins a merge with one that was minted before the Task was read, and is the key of what its Task is about,
// even where this database has minted or merged the same key on its way through evidence that came in another order. Among such keys
// the one of a Task that is not over comes first.
func adopt(known, merged []filter.KnownKey, asked []string, hold map[string]hold, tasks []rules.OwnTask) []filter.KnownKey {
	tasks = slices.Clone(tasks)
	slices.SortFunc(tasks, func(a, b rules.OwnTask) int {
		return cmp.Or(cmp.Compare(rank(a.Status), rank(b.Status)), strings.Compare(a.Key+a.Ref, b.Key+b.Ref))
	})
	merged = slices.Clone(merged)
	var open, over []filter.KnownKey
	for _, t := range tasks {
		earlier := !t.ClosedByUs && !slices.Contains(asked, t.Key)
		if knows(open, t.Key) || knows(over, t.Key) || !earlier && knows(known, t.Key) {
			continue
		}
		if at := slices.IndexFunc(merged, func(k filter.KnownKey) bool { return k.Key == t.Key }); !earlier && at >= 0 {
			if len(merged[at].Evidence) == 0 {
				merged[at].Evidence = t.Evidence
			}
			continue
		}
		if key := (filter.KnownKey{Key: t.Key, Evidence: t.Evidence}); answered(t.Status) {
			over = append(over, key)
		} else {
			open = append(open, key)
			hold[t.Key] = max(hold[t.Key], holdOpen)
		}
	}
	var asks, rest, behind []filter.KnownKey
	for _, k := range slices.Concat(known, merged) {
		switch {
		case knows(open, k.Key) || knows(over, k.Key):
		case hold[k.Key] > holdNone:
			asks = append(asks, k)
		case k.Into != "":
			behind = append(behind, k)
		default:
			rest = append(rest, k)
		}
	}
	asks = slices.Concat(open, asks)
	slices.SortStableFunc(asks, func(a, b filter.KnownKey) int { return cmp.Compare(hold[b.Key], hold[a.Key]) })
	return slices.Concat(asks, over, rest, behind)
}

// rank prefers a Task that people are working on over one that has ended.
func rank(status string) int {
	order := []string{"in-progress", "accepted", "ready", "received", "on-hold", "requested", "draft", "completed", "failed", "rejected", "cancelled", "entered-in-error"}
	if at := slices.Index(order, status); at >= 0 {
		return at
	}
	return len(order)
}
