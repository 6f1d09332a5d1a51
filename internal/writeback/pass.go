package writeback

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"

	"dwellwatch/fhir/rest"
	"dwellwatch/internal/compose"
	"dwellwatch/internal/draft"
	"dwellwatch/internal/fault"

	"github.com/tidwall/gjson"
	"github.com/tidwall/sjson"
)

// pass looks once and writes what is amiss, in an order in which every prefix is harmless: first too many become one,
// then the new document, then the Task that names it, then the old documents step back.
func (r *run) pass(ctx context.Context) error {
	s, err := r.look(ctx)
	if err != nil {
		return err
	}
	r.last = s
	if err := r.withdrawStrays(ctx, s.strays); err != nil {
		return err
	}
	switch r.referral.Reason {
	case draft.Wanted:
		return r.open(ctx, s)
	case draft.NoContext:
		return nil // not known yet whether to ask: what stands, stands
	}
	return r.closeAll(ctx, s)
}

// mainTask is the Task that stands for the referral: the one people moved on, else an untouched one, else this round's,
// else any; the lowest id among equals.
func (r *run) mainTask(tasks []held) (held, bool) {
	for _, is := range []func(held) bool{
		func(h held) bool { return !h.ended() && !h.untouched() },
		held.untouched,
		func(h held) bool { return h.has(compose.TaskSystem, r.taskInstance) && !h.isDuplicate() },
		func(h held) bool { return !h.isDuplicate() },
	} {
		if i := slices.IndexFunc(tasks, is); i >= 0 {
			return tasks[i], true
		}
	}
	return held{}, false
}

// spent reports whether this round's Task has been there and is over. A Task that another installation of ours made
// stands for one round: a database that was lost must not make people decline twice.
func (r *run) spent(tasks []held) bool {
	others := 0
	for _, t := range tasks {
		switch {
		case !t.ended():
		case t.has(compose.TaskSystem, r.taskInstance) && !t.isDuplicate():
			return true
		case !t.closedByUs() && !r.made(t) && !r.asksAnew(t):
			others++
		}
	}
	return others > 0 && others >= r.referral.Round
}

// asksAnew reports whether what is wanted is another question than the ended Task of a database that was lost: the clinic's, or
// an urgent one.
func (r *run) asksAnew(t held) bool {
	return asksWhether(t) && r.referral.To == draft.ToClinic || r.rises(t)
}

// made reports whether this installation made the Task, in this or an earlier round.
func (r *run) made(t held) bool {
	for round := 1; round <= r.referral.Round; round++ {
		instance, err := r.c.cfg.Site.TaskInstance(draft.Referral{Key: r.referral.Key, Round: round})
		if err == nil && t.has(compose.TaskSystem, instance) {
			return true
		}
	}
	return false
}

// asksWhether reports whether the Task asks if a filter is in, the one question that the record itself can answer.
func asksWhether(t held) bool {
	return gjson.GetBytes(t.raw, `reasonCode.coding.#(system=="`+compose.VerdictSystem+`").code`).String() == "clarify"
}

// answerEarlier completes a Task of an earlier round, or of a database that was lost, that people had taken up and that asked
// whether a filter is in, where the clinic is to be asked now: the record has answered that question. Any other Task that
// people took up is theirs. It gives the Tasks that are left to look at.
func (r *run) answerEarlier(ctx context.Context, tasks []held) ([]held, error) {
	var left []held
	for _, t := range tasks {
		if t.ended() || t.untouched() || t.has(compose.TaskSystem, r.taskInstance) || !asksWhether(t) || r.referral.To != draft.ToClinic {
			left = append(left, t)
			continue
		}
		closing, ok := compose.ClosingFor(draft.Answered, "completed")
		if !ok {
			left = append(left, t)
			continue
		}
		if err := r.endTask(ctx, t, closing); err != nil {
			return nil, err
		}
	}
	return left, nil
}

// rises reports whether what is wanted is urgent and the held Task says less.
func (r *run) rises(t held) bool {
	want := draft.Urgency(r.referral.Priority)
	return want >= draft.Urgency("urgent") && want > draft.Urgency(gjson.GetBytes(t.raw, "priority").String())
}

// open converges a referral that is wanted.
func (r *run) open(ctx context.Context, s state) error {
	tasks, err := r.answerEarlier(ctx, s.tasks)
	if err != nil {
		return err
	}
	s.tasks = tasks
	keep, found := r.mainTask(slices.DeleteFunc(slices.Clone(s.tasks), r.superseded))
	live := found && !keep.ended()
	r.approve(s.tasks)
	if live {
		if err := r.retireCopies(ctx, s.tasks, keep); err != nil {
			return err
		}
	}
	spent := !live && r.spent(s.tasks)
	if spent {
		r.unheard = slices.ContainsFunc(s.tasks, func(t held) bool {
			return t.has(compose.TaskSystem, r.taskInstance) && !t.closedByUs() && r.rises(t)
		})
	}
	document, written := r.mainDocument(s.documents)
	adopted := written && !document.has(compose.DocumentSystem, r.documentInstance)
	if !written && !spent {
		replaced := currentOf(s.documents)
		if !live {
			done, err := r.createTogether(ctx, replaced, r.proposal(s.tasks))
			if err != nil || done {
				return err
			}
		}
		id, err := r.createDocument(ctx, replaced)
		if err != nil {
			return err
		}
		document = held{id: id, status: "current"}
	}
	switch {
	case live && (keep.untouched() || r.rises(keep)):
		// What people took up keeps its status; that it has become urgent they must hear all the same.
		if err := r.refresh(ctx, keep, named(document, s.documents), adopted); err != nil {
			return err
		}
	case !live && !spent:
		id, err := r.createTask(ctx, document.id)
		if err != nil {
			return err
		}
		keep, live = held{id: id}, true
		if err := r.retireCopies(ctx, slices.DeleteFunc(s.tasks, func(t held) bool { return !r.superseded(t) }), keep); err != nil {
			return err
		}
	}
	if err := r.settleDocuments(ctx, s.documents, document); err != nil {
		return err
	}
	if document.id == "" || document.status != "current" {
		return nil
	}
	targets := []string{"DocumentReference/" + document.id}
	if live {
		targets = append(targets, "Task/"+keep.id)
	}
	return r.provide(ctx, document.id, targets)
}

// retireCopies closes untouched copies beside the Task that stays. A second one that people have taken up stays too, and
// somebody is told.
func (r *run) retireCopies(ctx context.Context, tasks []held, keep held) error {
	for _, t := range tasks {
		switch {
		case t.id == keep.id || t.ended():
		case t.untouched():
			if err := r.endTask(ctx, t, r.displaced(t, keep.id)); err != nil {
				return err
			}
		default:
			r.notice = AttentionCopies
		}
	}
	return nil
}

func (r *run) endTask(ctx context.Context, t held, c compose.Closing) error {
	body, err := compose.Close(t.raw, c, r.c.cfg.Now())
	if err != nil {
		return err
	}
	_, err = r.update(ctx, body, t.etag)
	return err
}

// refresh brings our elements of an untouched Task up to date. keepDue leaves its due day: the document that stands gives
// the same, and a lost database does not put it off.
func (r *run) refresh(ctx context.Context, t held, documentID string, keepDue bool) error {
	document := r.document
	// A Task keeps the intent with which it was made: an order of a database that was lost is not worded as a draft.
	document.Referral.Approved = t.isOrder()
	want, err := compose.Task(document, r.c.cfg.Site, r.c.cfg.Now(), documentReference(documentID))
	if err != nil {
		return err
	}
	if keepDue && gjson.GetBytes(t.raw, "restriction.period.end").Exists() {
		if want, err = sjson.DeleteBytes(want, "restriction"); err != nil {
			return fmt.Errorf("leave the due day: %w", err)
		}
	}
	body, changed, err := compose.Merge(t.raw, want, r.c.cfg.Site)
	if err != nil || !changed {
		return err
	}
	_, err = r.update(ctx, body, t.etag)
	return err
}

// createTogether creates document, Task and Provenance in one transaction. done is false, without an error, where the
// record takes no transactions.
func (r *run) createTogether(ctx context.Context, replaced held, proposal *held) (done bool, err error) {
	takes, err := r.c.takesTransactions(ctx)
	if err != nil || !takes {
		return false, err
	}
	pdf, err := r.render(replaced)
	if err != nil {
		return false, err
	}
	approval, err := r.approval(ctx, proposal)
	if err != nil {
		return false, err
	}
	bundle, err := compose.TransactionBundle(r.document, r.c.cfg.Site, r.c.cfg.Now(), pdf, documentReference(replaced.id), approval)
	if err != nil {
		return false, err
	}
	entries, err := r.transact(ctx, bundle)
	refused, isRefused := errors.AsType[*rest.Refused](err)
	switch {
	case isRefused && cannotTransact(refused):
		r.refusedBundle = true
		return false, nil
	case errors.Is(err, rest.ErrNotAtomic):
		r.c.transactions.Store(rest.SupportNo)
		if p := entries[compose.EntryProvenance]; p.OK() {
			r.broken = p.Written
		}
	case err != nil:
		return false, err
	case dangling(entries[compose.EntryProvenance].Written):
		r.c.transactions.Store(rest.SupportNo)
		r.broken = entries[compose.EntryProvenance].Written
	default:
		r.c.transactions.Store(rest.SupportYes)
		r.provided(entries[compose.EntryProvenance].Written)
	}
	var made []Receipt
	for i, typ := range []string{compose.EntryDocument: "DocumentReference", compose.EntryTask: "Task"} {
		if !entries[i].OK() {
			continue
		}
		r.know(typ, entries[i].ID)
		if entries[i].ID != "" && !entries[i].Existing {
			made = append(made, r.created(typ, entries[i].Written))
		}
	}
	return true, r.keep(ctx, made...)
}

// dangling reports whether the record stored a resource with a reference to an entry of its transaction as it was sent.
func dangling(w rest.Written) bool { return bytes.Contains(w.Resource, []byte(`"urn:uuid:`)) }

// cannotTransact: the answers that records without transactions give. A 400 may also mean that an entry is wrong; then
// the single writes that follow say so.
func cannotTransact(refused *rest.Refused) bool {
	return slices.Contains([]int{http.StatusBadRequest, http.StatusNotFound, http.StatusMethodNotAllowed,
		http.StatusNotImplemented}, refused.Status)
}

// render draws the document that takes the place of another, or of none.
func (r *run) render(replaced held) ([]byte, error) {
	if r.pdf != nil && r.pdfReplaces == replaced.id {
		return r.pdf, nil
	}
	document := r.document
	document.Since = r.since(replaced)
	pdf, err := r.c.cfg.Render(document)
	if err != nil {
		return nil, fmt.Errorf("draw the work-up document: %w", fault.Invalid)
	}
	r.pdf, r.pdfReplaces = pdf, replaced.id
	return pdf, nil
}

func (r *run) createTask(ctx context.Context, documentID string) (string, error) {
	body, err := compose.Task(r.document, r.c.cfg.Site, r.c.cfg.Now(), documentReference(documentID))
	if err != nil {
		return "", err
	}
	w, err := r.create(ctx, "Task", body, compose.IfNoneExist(compose.TaskSystem, r.taskInstance))
	if err == nil && r.refusedBundle {
		r.c.transactions.Store(rest.SupportNo)
	}
	return w.ID, err
}

// provide makes sure that one Provenance names the document. A record that cannot be asked gets none.
func (r *run) provide(ctx context.Context, documentID string, targets []string) error {
	if r.provenance.ResourceID != "" || r.noProvenance {
		return nil
	}
	if r.broken.ID != "" {
		return r.repairProvenance(ctx, targets)
	}
	about := func(raw json.RawMessage) bool { return names(raw, documentID) }
	hits, _, err := r.search(ctx, "Provenance", url.Values{"target": {targets[0]}}, about)
	if errors.Is(err, fault.Refused) {
		r.noProvenance = true
		return nil
	}
	if err != nil {
		return err
	}
	if i := slices.IndexFunc(hits, about); i >= 0 {
		r.provided(rest.Written{ID: gjson.GetBytes(hits[i], "id").String(),
			VersionID: gjson.GetBytes(hits[i], "meta.versionId").String()})
		return nil
	}
	body, err := compose.Provenance(r.document, r.c.cfg.Site, r.c.cfg.Now(), targets)
	if err != nil {
		return err
	}
	w, err := r.create(ctx, "Provenance", body, "")
	if err != nil {
		return err
	}
	r.provided(w)
	return nil
}

func (r *run) repairProvenance(ctx context.Context, targets []string) error {
	body, err := compose.ProvenanceWithID(r.document, r.c.cfg.Site, r.c.cfg.Now(), targets, r.broken.ID)
	if err != nil {
		return err
	}
	w, err := r.update(ctx, body, r.broken.ETag)
	if err != nil {
		return err
	}
	r.broken = rest.Written{}
	r.provided(w)
	return nil
}

// names reports whether a Provenance is about the document and made by this software.
func names(raw []byte, documentID string) bool {
	if gjson.GetBytes(raw, "agent.0.who.reference").String() != "#dwellwatch" {
		return false
	}
	for _, t := range gjson.GetBytes(raw, "target.#.reference").Array() {
		if compose.SameReference(t.String(), "DocumentReference/"+documentID) {
			return true
		}
	}
	return false
}

func (r *run) provided(w rest.Written) {
	r.provenance = Receipt{Kind: "Provenance", Round: r.referral.Round, Revision: r.referral.Revision,
		ResourceID: w.ID, VersionID: w.VersionID}
}
