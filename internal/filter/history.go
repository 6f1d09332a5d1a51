package filter

import "slices"

// Standing says whether a filter is in.
type Standing string

const (
	StandingInPlace Standing = "in-place"
	StandingRemoved Standing = "removed"
	StandingPartly  Standing = "partly-removed"
	StandingUnclear Standing = "unclear"
)

// Contradiction is a place where the tellers disagree about one filter.
type Contradiction struct {
	Kind     string
	Text     string
	Evidence []Ref
	Decides  bool // about whether, which or since when
}

// Filter is the history of one filter.
type Filter struct {
	Key            string
	Standing       Standing
	Why            string // why the standing is unclear; "" otherwise
	Placed         Span   // Unknown where no entry tells
	Removed        Span   // Unknown unless removed
	Devices        []Device
	Model          Model
	Events         []Event // that made this history, in content order
	Contradictions []Contradiction
	Evidence       []Ref // of all events, sorted, once each
	Tied           []Ref // entries of all filters, where an entry given by fit makes them bear on each other; sorted
	PlacementRefs  []Ref // the entries that tell the placement, in content order
	// Own is what makes it this filter and no other, sorted: the entries of its placement and the devices they name; for one
	// known only from what was done to it later, these entries. A key stands on it.
	Own []Ref
}

// History is what happened to all filters of one patient up to asOf.
type History struct {
	Filters []Filter
	// Merged names keys known before that are now the same filter as another.
	Merged map[string]string
}

// KnownKey is a key handed out before and the evidence it stood on. Known keys are given in the order in which they win a merge,
// those that were merged before last.
type KnownKey struct {
	Key      string
	Evidence []Ref  // of one that was merged: what it stood on before
	Into     string // the key that it was merged into; "" where it stands by itself
}

// Apart gives what a key stood on without what those of the known keys that were merged into it brought along.
func (k KnownKey) Apart(known []KnownKey) []Ref {
	var own []Ref
	for _, ref := range k.Evidence {
		if !slices.ContainsFunc(known, func(m KnownKey) bool { return m.Into == k.Key && slices.Contains(m.Evidence, ref) }) {
			own = append(own, ref)
		}
	}
	return own
}

// Params are the thresholds of reconstruction; unit: days.
type Params struct {
	SamePlacementDays int // placements this close are one
	MaybeSameDays     int // placements this close with nothing to tell them apart are a contradiction
}
