package writeback

import (
	"context"
	"slices"

	"dwellwatch/internal/compose"

	"github.com/tidwall/gjson"
)

// A person approves a proposal: the order is a Task of its own, in a round of its own, and the same write ends the proposal. What
// people have taken up in the record before that needs no order; their Task stands.

// isOrder reports whether the Task was made as an order.
func (h held) isOrder() bool { return gjson.GetBytes(h.raw, "intent").String() == "order" }

// superseded reports whether an untouched Task of an earlier round cannot become the wanted one: it is for another patient id of the
// person, or of another intent. An order that another installation of ours made is no less approved for a database that was lost.
func (r *run) superseded(t held) bool {
	if !t.untouched() || t.has(compose.TaskSystem, r.taskInstance) {
		return false
	}
	return r.leftBehind(t) || r.approvedProposal(t) || !r.referral.Approved && t.isOrder() && r.made(t)
}

func (r *run) approvedProposal(t held) bool {
	return r.referral.Approved && t.untouched() && !t.isOrder()
}

// proposal is the untouched proposal for the same patient id that the order takes the place of; nil where there is none.
func (r *run) proposal(tasks []held) *held {
	i := slices.IndexFunc(tasks, func(t held) bool { return r.approvedProposal(t) && !r.leftBehind(t) })
	if i < 0 {
		return nil
	}
	return &tasks[i]
}

// approve notes which Task the order is based on: the one of the round before. People may have ended it at the same moment; then
// somebody is told that the two decisions differ.
func (r *run) approve(tasks []held) {
	if !r.referral.Approved {
		return
	}
	before := r.referral
	before.Round--
	instance, err := r.c.cfg.Site.TaskInstance(before)
	if err != nil {
		return
	}
	for _, t := range tasks {
		if t.has(compose.TaskSystem, instance) {
			r.document.Proposal = t.id
			if t.ended() && !t.closedByUs() {
				r.notice = AttentionEnded
			}
		}
	}
}

// approval is the end of the proposal, to be written together with the order.
func (r *run) approval(ctx context.Context, proposal *held) (*compose.Approval, error) {
	if proposal == nil {
		return nil, nil
	}
	closed, err := compose.Close(proposal.raw, compose.ApprovedAs(""), r.c.cfg.Now())
	if err != nil {
		return nil, err
	}
	if err := r.unmoved(ctx, closed, proposal.etag); err != nil {
		return nil, err
	}
	return &compose.Approval{ID: proposal.id, ETag: proposal.etag, Closed: closed}, nil
}

// displaced says why an untouched Task steps back behind the one that stays.
func (r *run) displaced(t held, keep string) compose.Closing {
	if r.approvedProposal(t) {
		return compose.ApprovedAs(keep)
	}
	return compose.DuplicateOf(keep)
}
