package writeback

import (
	"context"
	"slices"

	"dwellwatch/internal/compose"
	"dwellwatch/internal/draft"
)

// mainDocument is the wanted revision: the current copy of it, else any copy of it, the lowest id among equals, else a
// document that stands for it.
func (r *run) mainDocument(documents []held) (held, bool) {
	ours := func(h held) bool { return h.has(compose.DocumentSystem, r.documentInstance) }
	if i := slices.IndexFunc(documents, func(h held) bool { return ours(h) && h.status == "current" }); i >= 0 {
		return documents[i], true
	}
	if i := slices.IndexFunc(documents, ours); i >= 0 {
		return documents[i], true
	}
	if i := slices.IndexFunc(documents, r.standsIn); i >= 0 {
		return documents[i], true
	}
	return held{}, false
}

// standsIn reports whether a document of another installation of ours stands for the wanted revision: before the first write
// for the filter, a current one that says the same; later, the one that was taken then. A database that was lost adds none.
func (r *run) standsIn(d held) bool {
	if r.standIn != "" {
		return d.id == r.standIn
	}
	return r.first && r.referral.Meaning != "" && d.status == "current" && d.has(compose.MeaningSystem, r.referral.Meaning) && !r.drew(d)
}

// drew reports whether this installation made the document, as this or an earlier revision.
func (r *run) drew(d held) bool {
	for round := 1; round <= r.referral.Round; round++ {
		for revision := 1; revision <= r.referral.Revision; revision++ {
			instance, err := r.c.cfg.Site.DocumentInstance(draft.Referral{Key: r.referral.Key, Round: round, Revision: revision})
			if err == nil && d.has(compose.DocumentSystem, instance) {
				return true
			}
		}
	}
	return false
}

// currentOf gives the document that a new one replaces; its id is "" where none is current.
func currentOf(documents []held) held {
	for _, d := range documents {
		if d.status == "current" {
			return d
		}
	}
	return held{}
}

// since tells what is replaced as far as this database knows it; nil where nothing is. A document of a database that was lost is
// known by its meaning, where this one has said the same.
func (r *run) since(replaced held) *compose.Since {
	if replaced.id == "" {
		return nil
	}
	return &compose.Since{Said: r.document.Before(func(earlier draft.Referral) bool {
		instance, err := r.c.cfg.Site.DocumentInstance(draft.Referral{Key: r.referral.Key, Round: earlier.Round, Revision: earlier.Revision})
		return err == nil && replaced.has(compose.DocumentSystem, instance) || earlier.Meaning != "" && replaced.has(compose.MeaningSystem, earlier.Meaning)
	})}
}

// named gives the id of the document that the Task should name: the wanted one, unless it has been superseded by another
// that is current.
func named(wanted held, documents []held) string {
	if wanted.status != "current" {
		for _, d := range documents {
			if d.status == "current" {
				return d.id
			}
		}
	}
	return wanted.id
}

func documentReference(id string) string {
	if id == "" {
		return ""
	}
	return "DocumentReference/" + id
}

func (r *run) createDocument(ctx context.Context, replaced held) (string, error) {
	pdf, err := r.render(replaced)
	if err != nil {
		return "", err
	}
	body, err := compose.DocumentReference(r.document, r.c.cfg.Site, r.c.cfg.Now(), pdf, documentReference(replaced.id))
	if err != nil {
		return "", err
	}
	w, err := r.create(ctx, "DocumentReference", body, compose.IfNoneExist(compose.DocumentSystem, r.documentInstance))
	return w.ID, err
}

// settleDocuments leaves one current document: the wanted revision. A second copy of the same revision was an error,
// another revision is superseded. Where the wanted revision itself was superseded by something later, which a restored
// database leads to, nothing is undone and somebody is told. What stepped back behind another key's stands again once the merge of
// the two is taken back.
func (r *run) settleDocuments(ctx context.Context, documents []held, keep held) error {
	if keep.id == "" {
		return nil
	}
	if r.referral.Restored && keep.status == "superseded" && currentOf(documents).id == "" && !followed(keep, documents) {
		return r.restate(ctx, keep, "current")
	}
	for _, d := range documents {
		if d.id == keep.id || d.status != "current" {
			continue
		}
		if keep.status != "current" {
			r.notice = AttentionOutOfStep
			continue
		}
		status := "superseded"
		if d.has(compose.DocumentSystem, r.documentInstance) {
			status = "entered-in-error"
		}
		if err := r.restate(ctx, d, status); err != nil {
			return err
		}
	}
	return nil
}

func (r *run) restate(ctx context.Context, d held, status string) error {
	body, err := compose.Restate(d.raw, status)
	if err != nil {
		return err
	}
	_, err = r.update(ctx, body, d.etag)
	return err
}
