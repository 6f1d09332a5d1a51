package compose

import (
	"slices"

	"dwellwatch/internal/assess"
	"dwellwatch/internal/draft"
)

// mostEarlier bounds how many earlier revisions a document keeps while the record does not take any: the newest stay.
const mostEarlier = 20

// Followed gives what the document that comes after this one keeps of the revisions before it: all that the record can be
// holding when the next one is written. held reports whether the record was seen to hold a revision; what was said before the
// newest such one is of no more use.
func (d Document) Followed(held func(draft.Referral) bool) []assess.Said {
	out := slices.Clone(d.Earlier)
	same := func(s assess.Said) bool { return sameRevision(s.Referral, d.Referral) }
	if d.Referral.Round > 0 && d.Referral.Reason == draft.Wanted && !slices.ContainsFunc(out, same) {
		out = append(out, assess.Said{Assessment: d.Assessment, Referral: d.Referral})
	}
	for i := len(out) - 1; i > 0; i-- {
		if held(out[i].Referral) {
			out = out[i:]
			break
		}
	}
	return out[max(0, len(out)-mostEarlier):]
}

// Before gives what the newest earlier revision that held reports said; nil where none of those that are kept is held. The
// document's own revision is never before itself.
func (d Document) Before(held func(draft.Referral) bool) *assess.Said {
	for i := len(d.Earlier) - 1; i >= 0; i-- {
		if s := d.Earlier[i]; !sameRevision(s.Referral, d.Referral) && held(s.Referral) {
			return &s
		}
	}
	return nil
}

func sameRevision(a, b draft.Referral) bool { return a.Round == b.Round && a.Revision == b.Revision }
