package writeback

import (
	"context"
	"slices"

	"dwellwatch/internal/compose"
)

// Patients are merged, and merges are taken back (http://hl7.org/fhir/R4/patient.html#merge). A Task or a document never goes over
// to another patient: the referral begins a new round for whoever the person is now, and what the record still holds of ours
// under another patient is withdrawn here.

// stray is an entry of ours about a patient who is not this person.
type stray struct {
	typ string
	held
}

// wroteOnce reports whether a receipt says that we wrote the entry for this filter.
func (r *run) wroteOnce(typ, id string) bool { return slices.Contains(r.receipted, typ+"/"+id) }

// leftBehind reports whether an untouched Task of an earlier round is for another patient id of the same person than the
// wanted one is.
func (r *run) leftBehind(t held) bool {
	return t.untouched() && !t.has(compose.TaskSystem, r.taskInstance) && !r.about("Task", t, r.document.Assessment.Patient)
}

// withdrawStrays ends untouched Tasks in another person's chart and marks the documents there as errors. What people have taken up
// is left to them, and what this database has no receipt for was not ours to put there; then somebody is told.
//
// One that carries this round's own identifier was moved there in the record: nothing can be made under it for this person, and
// somebody must say who the patient is, or the record's own merge does when it comes.
func (r *run) withdrawStrays(ctx context.Context, strays []stray) error {
	moved := false
	for _, s := range strays {
		moved = moved || s.has(compose.TaskSystem, r.taskInstance) || s.has(compose.DocumentSystem, r.documentInstance)
		switch {
		case !r.wroteOnce(s.typ, s.id):
			return errOtherPatient
		case s.typ == "DocumentReference" && s.status == "current":
			if err := r.restate(ctx, s.held, "entered-in-error"); err != nil {
				return err
			}
		case s.typ == "Task" && s.untouched():
			if err := r.endTask(ctx, s.held, compose.OtherPatient()); err != nil {
				return err
			}
		case s.typ == "Task" && !s.ended():
			r.notice = AttentionOtherPatient
		}
	}
	if moved {
		return errOtherPatient
	}
	return nil
}
