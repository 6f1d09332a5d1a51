// Package compose builds what dwellwatch writes into the record, from an assessment and the referral that should stand:
// Task, DocumentReference, Provenance and the transaction that carries them; and it edits copies of its own that the
// record holds. It is pure: no I/O, no clock, the same input gives the same bytes. It must never put a patient's name or
// number into a text, and never change an element of a held resource that is not ours.
//
// The outbound types are our own: the general Go models of FHIR have no `contained` and write every variant of
// Task.input.value[x] at once, and both are needed here.
package compose

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"dwellwatch/internal/assess"
	"dwellwatch/internal/chart"
	"dwellwatch/internal/draft"
	"dwellwatch/internal/fault"
	"dwellwatch/internal/filter"

	"github.com/google/uuid"
)

// Identifier systems and code systems of our own.
const (
	SeriesSystem   = chart.SeriesSystem        // identifier: the filter's key, on Task and DocumentReference
	TaskSystem     = "urn:dwellwatch:task"     // identifier: one Task
	DocumentSystem = "urn:dwellwatch:document" // identifier: one revision of the document
	MeaningSystem  = "urn:dwellwatch:meaning"  // identifier: digest of what the document says, the same from any installation
	VerdictSystem  = "urn:dwellwatch:verdict"  // codes: the verdicts of an assessment
	ClosedSystem   = chart.ClosedSystem        // codes: why we closed a Task
	InputSystem    = "urn:dwellwatch:input"    // codes: what a Task's input is
)

// Codes of InputSystem.
const (
	inputEvidence = "evidence"
	inputDocument = "work-up-document"
)

// Document is everything a referral is written from. Assessment.Filters holds the one filter that it is about.
type Document struct {
	Assessment assess.Assessment `json:"assessment"`
	Referral   draft.Referral    `json:"referral"`
	// Proposal is the id of the Task that a person approved, where the Task is its order; the write-back finds it in the record.
	Proposal string `json:"-"`
	// Earlier is what earlier revisions said that the record can be holding, oldest first; see Followed.
	Earlier []assess.Said `json:"earlier,omitempty"`
	// Since is set where the document takes the place of one that the record holds.
	Since *Since `json:"-"`
}

// Since is the document that another one takes the place of.
type Since struct {
	// Said is what it was made from; nil where this database does not know it: it was lost, or another installation wrote it.
	Said *assess.Said
}

// Concept is a code with words; System and Code may be empty.
type Concept struct{ System, Code, Text string }

// Site is what the place decides. Only Installation is needed.
type Site struct {
	// Installation is the UUID of this installation; it makes our instance identifiers.
	Installation string
	// Version of the software; "" leaves it out.
	Version string
	// ClinicOwner and CoordinatorOwner are references ("Organization/x") that own the Tasks; "" names a performerType
	// instead.
	ClinicOwner, CoordinatorOwner string
	// ClinicType and CoordinatorType say who should take a Task that has no owner; the zero Concept means our default.
	ClinicType, CoordinatorType Concept
	// Custodian is a reference to the organisation that keeps the documents; "" leaves it out.
	Custodian string
	// Language of the document (BCP 47); "" means "en".
	Language string
}

// TaskInstance is the identifier of the Task of one round.
func (s Site) TaskInstance(r draft.Referral) (string, error) {
	return s.derive(fmt.Sprintf("%s/%d", r.Key, r.Round))
}

// DocumentInstance is the identifier of one revision of the document.
func (s Site) DocumentInstance(r draft.Referral) (string, error) {
	return s.derive(fmt.Sprintf("%s/%d/%d", r.Key, r.Round, r.Revision))
}

func (s Site) derive(name string) (string, error) {
	space, err := uuid.Parse(s.Installation)
	if err != nil {
		return "", fmt.Errorf("installation is not a UUID: %w", fault.Invalid)
	}
	return uuid.NewSHA1(space, []byte(name)).String(), nil
}

// IfNoneExist is the search that finds one instance.
func IfNoneExist(system, value string) string { return "identifier=" + system + "|" + value }

// subject is the one filter of a Document, checked.
type subject struct {
	filter   assess.Filter
	patient  string
	nameless []string // entries that the record cannot know
}

// check finds what every resource of ours needs, before any is built.
func (d Document) check() (subject, error) {
	if len(d.Assessment.Filters) != 1 {
		return subject{}, fmt.Errorf("a document is about one filter: %w", fault.Invalid)
	}
	if !strings.HasPrefix(d.Assessment.Patient, "Patient/") && !strings.Contains(d.Assessment.Patient, "/Patient/") {
		return subject{}, fmt.Errorf("a document names a Patient: %w", fault.Invalid)
	}
	if d.Referral.Key == "" {
		return subject{}, fmt.Errorf("a referral has a key: %w", fault.Invalid)
	}
	about := subject{d.Assessment.Filters[0], d.Assessment.Patient, d.Assessment.Nameless}
	if len(about.known([]string{about.patient})) == 0 {
		return subject{}, fmt.Errorf("the Patient came without an id, so the record has none to refer to: %w", fault.Invalid)
	}
	return about, nil
}

// localBase is what evidence puts before Type/id of what people entered with us.
const localBase = "urn:dwellwatch:feed:" + chart.LocalFeed + "/"

// known leaves out the entries that came without an id, and those that people entered with us: in the record a reference to one
// would lead nowhere.
func (s subject) known(refs []string) []string {
	return slices.DeleteFunc(slices.Clone(refs), func(r string) bool {
		entry, _, _ := strings.Cut(r, "#")
		return slices.Contains(s.nameless, entry) || strings.HasPrefix(entry, localBase)
	})
}

// focus gives the entry that a Task is about; where the record cannot know it, another entry of the same filter, a
// Device or a Procedure before others; "" where there is none.
func (s subject) focus() string {
	if len(s.known([]string{s.filter.Focus})) > 0 {
		return s.filter.Focus
	}
	refs := s.history()
	for _, refs := range [][]string{ofType(refs, "Device"), ofType(refs, "Procedure"), refs} {
		if len(refs) > 0 {
			return refs[0]
		}
	}
	return ""
}

// evidence gives the record entries behind the filter's history and behind every finding, sorted, once each.
func (s subject) evidence() []string {
	refs := slices.Clone(s.filter.Evidence)
	for _, f := range s.filter.Findings {
		refs = append(refs, f.Evidence...)
	}
	for _, c := range s.filter.Contradictions {
		refs = append(refs, c.Evidence...)
	}
	refs = slices.DeleteFunc(s.known(refs), func(r string) bool { return !strings.Contains(r, "/") })
	slices.Sort(refs)
	return slices.Compact(refs)
}

// history gives the record entries behind the filter's own history, sorted, once each.
func (s subject) history() []string {
	refs := s.known(s.filter.Evidence)
	slices.Sort(refs)
	return slices.Compact(refs)
}

// ofType keeps the references to resources of some types.
func ofType(refs []string, types ...string) []string {
	var out []string
	for _, r := range refs {
		parts := strings.Split(r, "/")
		for i, p := range parts[:max(0, len(parts)-1)] {
			if slices.Contains(types, p) && (i == len(parts)-2 || parts[i+2] == "_history") {
				out = append(out, r)
			}
		}
	}
	return out
}

// instant writes a point in time with seconds and zone, as FHIR's instant and dateTime want it.
func instant(t time.Time) string { return t.Format("2006-01-02T15:04:05Z07:00") }

// dayOrNone writes a known day, "" for a missing one.
func dayOrNone(d filter.Day) string {
	if d <= filter.MinDay || d >= filter.MaxDay {
		return ""
	}
	return d.String()
}
