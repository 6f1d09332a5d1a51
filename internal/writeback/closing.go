package writeback

import (
	"context"
	"slices"

	"dwellwatch/internal/compose"
	"dwellwatch/internal/draft"

	"github.com/tidwall/gjson"
)

// closeAll converges a referral that is no longer wanted: no Task is created, those that may be ended are, and a
// document stays as it is unless the filter was never there, or is told of in another's document. Where documents step back they do so
// first: as long as a Task stands open, a database that was lost comes back to it.
func (r *run) closeAll(ctx context.Context, s state) error {
	if !s.whole && len(s.tasks) == 0 && r.referral.Round > 0 {
		r.notice = AttentionUnseen
	}
	if err := r.closeDocuments(ctx, s.documents); err != nil {
		return err
	}
	for _, t := range s.tasks {
		status := r.endStatus(t)
		if status == "" {
			if r.referral.Reason == draft.Merged && !t.ended() {
				// The key of a Task that people have taken up wins a merge. So they work on both, or have begun a moment ago.
				r.notice, r.unheard = AttentionCopies, true
			}
			continue
		}
		reason := r.referral.Reason
		if status == "completed" && reason != draft.Removed {
			reason = draft.Answered
		}
		closing, ok := compose.ClosingFor(reason, status)
		if !ok {
			continue
		}
		if reason == draft.Declined {
			closing = compose.DeclinedBy(r.referral)
		}
		if err := r.endTask(ctx, t, closing); err != nil {
			return err
		}
	}
	return nil
}

// closeDocuments leaves one current document. Of a filter that is another key's too none is left: that one's document takes its place.
// Of one that was never there, what was said last was an error, also where it has stepped back behind another key's since.
func (r *run) closeDocuments(ctx context.Context, documents []held) error {
	status := ""
	switch r.referral.Reason {
	case draft.Merged:
		status = "superseded"
	case draft.Retracted:
		status = "entered-in-error"
	default:
		keep, _ := r.mainDocument(documents)
		return r.settleDocuments(ctx, documents, keep)
	}
	for _, d := range documents {
		if d.status != "current" && (d.status != "superseded" || status == "superseded" || followed(d, documents)) {
			continue
		}
		if err := r.restate(ctx, d, status); err != nil {
			return err
		}
	}
	return nil
}

// followed reports whether another document of the series replaces this one.
func followed(d held, documents []held) bool {
	return slices.ContainsFunc(documents, func(other held) bool {
		return slices.ContainsFunc(gjson.GetBytes(other.raw, "relatesTo").Array(), func(to gjson.Result) bool {
			return to.Get("code").String() == "replaces" && compose.SameReference(to.Get("target.reference").String(), "DocumentReference/"+d.id)
		})
	})
}

// endStatus says what a Task becomes by our hand, "" for nothing. An untouched one is ours to cancel. One that people
// took up is completed by a removal that came after it was written, or by an answer to its question; it is cancelled
// only where there is nobody or nothing left to act on. A merge of keys leaves it to them.
func (r *run) endStatus(t held) string {
	switch {
	case t.ended():
		return ""
	case t.untouched():
		return "cancelled"
	}
	switch r.referral.Reason {
	case draft.Removed:
		if r.removedAfter(t) {
			return "completed"
		}
	case draft.Answered:
		return "completed"
	case draft.NotDue, draft.AskedAlready:
		if asksWhether(t) {
			return "completed" // whether a filter is in is no longer the question
		}
	case draft.Deceased, draft.Retracted:
		return "cancelled"
	}
	return ""
}

// removedAfter reports whether the removal surely did not come before the day on which the Task was written, as that
// day stands in the Task (our own zone).
func (r *run) removedAfter(t held) bool {
	removed := r.document.Assessment.Filters[0].Removed
	authored := gjson.GetBytes(t.raw, "authoredOn").String()
	if removed == nil || removed.Earliest == nil || len(authored) < len("2006-01-02") {
		return false
	}
	return *removed.Earliest >= authored[:len("2006-01-02")]
}
