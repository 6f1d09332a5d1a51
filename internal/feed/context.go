// Package feed reads from the hospital's record: the context of followed patients. It must never write to the record,
// never take a search hit that is not about the patient asked for, and never put an address, an id or patient data into a
// log or an error.
package feed

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"dwellwatch/fhir"
	"dwellwatch/fhir/rest"
	"dwellwatch/internal/fault"
	"dwellwatch/internal/postgres"
	"dwellwatch/internal/screen"
)

// maxPerType bounds what one search may bring; more than this of one type for one patient is not a chart but a fault.
const maxPerType = 5000

// maxLinked bounds what a search for merged Patients may bring; a record that ignores the parameter answers with everybody.
const maxLinked = 100

// maxReads bounds the reads of unresolved references in one pull.
const maxReads = 500

// keepEvery is after how many reads what was read is kept, so that a slow record is read to its end in several tries.
const keepEvery = 50

// contextTypes are searched by patient. Documents are not: nothing in them is read.
func contextTypes() []string {
	return []string{"Device", "Procedure", "DeviceUseStatement", "Condition", "MedicationRequest", "MedicationStatement", "MedicationAdministration",
		"MedicationDispense", "AllergyIntolerance", "Observation", "DiagnosticReport", "ImagingStudy", "ServiceRequest", "Appointment", "Encounter", "Task"}
}

// readable are the types worth reading when an entry names one that is not here.
func readable(ref string) bool {
	kind, _, _ := strings.Cut(ref, "/")
	return kind == "Medication" || slices.Contains(contextTypes(), kind)
}

// Record is what a pull needs of the FHIR server; *rest.Client is one.
type Record interface {
	Search(ctx context.Context, typ string, query url.Values, limit int) ([]json.RawMessage, error)
	Read(ctx context.Context, typ, id string) (fhir.Resource, string, error)
}

// Store is what a pull needs of the database.
type Store interface {
	PullPlan(ctx context.Context, person string) (postgres.Pull, error)
	AcceptHeld(ctx context.Context, items []screen.Item, received time.Time) ([]screen.Outcome, error)
	MarkPulled(ctx context.Context, person string, version int64, gaps []postgres.Gap) error
}

// Puller reads the context of a followed person from the record.
type Puller struct {
	Store  Store
	Record Record
	Screen func(feed string, r fhir.Resource) screen.Item
	Now    func() time.Time
	Log    *slog.Logger
}

// Pull reads everything about the person by patient search, then what the kept entries name and is not here, and marks
// the pull as done. A pull that was done before is done again only where a later one is asked for. fault.NotFound: the
// person is gone; fault.Unavailable or *rest.Refused: the record did not answer, so the context stays pending.
func (p *Puller) Pull(ctx context.Context, person string, version int64) error {
	plan, err := p.Store.PullPlan(ctx, person)
	if err != nil {
		return fmt.Errorf("plan a context pull: %w", err)
	}
	if plan.Done >= version {
		return nil
	}
	own := map[string]bool{}
	var gaps gaps
	for _, a := range plan.Aliases {
		if a.Feed != postgres.DefaultFeed {
			continue
		}
		own[a.PatientID] = true
		if err := p.pullPatient(ctx, a.PatientID, &gaps); err != nil {
			return err
		}
	}
	// Two rounds: an order names a medication, a report names a procedure that names a device.
	for range 2 {
		again, err := p.Store.PullPlan(ctx, person)
		if err != nil {
			return fmt.Errorf("plan a context pull: %w", err)
		}
		named := slices.DeleteFunc(again.Unresolved, func(ref string) bool { return !readable(ref) })
		if len(named) > maxReads {
			p.Log.WarnContext(ctx, "too many unresolved references; the rest is left", "limit", maxReads)
			kind, _, _ := strings.Cut(named[maxReads], "/")
			gaps.add(kind, postgres.GapCut)
			named = named[:maxReads]
		}
		found, err := p.readEach(ctx, named, func(it screen.Item) bool { return it.Patient == "" || own[it.Patient] }, &gaps)
		if err != nil {
			return err
		}
		if found == 0 {
			break
		}
	}
	if err := p.Store.MarkPulled(ctx, person, plan.Wanted, gaps.list()); err != nil {
		return fmt.Errorf("mark a context pull: %w", err)
	}
	return nil
}

// pullPatient searches every type by patient. What the record answers only in part, or refuses for one type, is a gap;
// a record that refuses every type has not answered.
func (p *Puller) pullPatient(ctx context.Context, id string, gaps *gaps) error {
	var items []screen.Item
	asked := p.Now()
	patient, _, err := p.Record.Read(ctx, "Patient", id)
	switch {
	case err == nil:
		items = append(items, p.read(patient))
	case !gone(err):
		return fmt.Errorf("read a Patient: %w", err)
	}
	merged, err := p.merged(ctx, id)
	if err != nil {
		return err
	}
	items = append(items, merged...)
	var last error
	answered := false
	for _, kind := range contextTypes() {
		hits, err := p.Record.Search(ctx, kind, url.Values{"patient": {"Patient/" + id}}, maxPerType)
		switch why := gapOf(err); {
		case why != "":
			p.Log.WarnContext(ctx, "a part of the context cannot be read from the record", "type", kind, "why", why)
			gaps.add(kind, why)
			last = err
			if why != postgres.GapCut {
				continue
			}
		case err != nil:
			return fmt.Errorf("search %s: %w", kind, err)
		case len(hits) >= maxPerType:
			gaps.add(kind, postgres.GapCut)
		}
		answered = true
		for _, raw := range hits {
			r, err := fhir.Decode(raw)
			if err != nil {
				p.Log.WarnContext(ctx, "an entry of the record cannot be read", "type", kind, "error", err)
				gaps.add(kind, postgres.GapUnreadable)
				continue
			}
			// A server that ignores the parameter answers with other people's entries: they are not looked at further.
			if it := p.listed(r); it.Patient == id && r.Type == kind {
				items = append(items, it)
			}
		}
	}
	if !answered {
		return fmt.Errorf("no type can be searched by patient: %w", last)
	}
	if len(items) == 0 {
		return nil
	}
	out, err := p.Store.AcceptHeld(ctx, items, asked)
	if err != nil {
		return fmt.Errorf("keep the context: %w", err)
	}
	var unsure []string
	for n, o := range out {
		if ref := items[n].Resource.Ref(); o.Unsure && !slices.Contains(unsure, ref) {
			unsure = append(unsure, ref)
		}
	}
	_, err = p.readEach(ctx, unsure, func(it screen.Item) bool { return it.Patient == id || slices.Contains(it.Links, id) }, gaps)
	return err
}

// merged asks for the Patients that the record has merged with this one: the link often stands only in the one that was
// merged away. A record that does not know the search leaves it to the links that it sends.
func (p *Puller) merged(ctx context.Context, id string) ([]screen.Item, error) {
	hits, err := p.Record.Search(ctx, "Patient", url.Values{"link": {"Patient/" + id}}, maxLinked)
	switch why := gapOf(err); {
	case why == postgres.GapCut:
	case why != "", failed(err):
		p.Log.DebugContext(ctx, "merged Patients cannot be searched in the record")
		return nil, nil
	case err != nil:
		return nil, fmt.Errorf("search merged Patients: %w", err)
	}
	var items []screen.Item
	for _, raw := range hits {
		r, err := fhir.Decode(raw)
		if err != nil || r.Type != "Patient" {
			continue
		}
		if it := p.listed(r); slices.Contains(it.Links, id) {
			items = append(items, it)
		}
	}
	return items, nil
}

// failed reports an answer of 500, which some servers give to a search that they do not know.
func failed(err error) bool {
	var refused *rest.Refused
	return errors.As(err, &refused) && refused.Status == http.StatusInternalServerError
}

// listed screens what a search of the record gave. Many search through an index that follows later, so it may be of yesterday.
func (p *Puller) listed(r fhir.Resource) screen.Item {
	it := p.Screen(postgres.DefaultFeed, r)
	it.Listed = true
	return it
}

// read screens what the record gave when it was asked for that very entry.
func (p *Puller) read(r fhir.Resource) screen.Item {
	it := p.Screen(postgres.DefaultFeed, r)
	it.Read = true
	return it
}

// readEach reads entries by type and id, and keeps those that are wanted, some at a time. What the record does not have is left. It
// gives how many were not here before.
func (p *Puller) readEach(ctx context.Context, refs []string, wanted func(screen.Item) bool, gaps *gaps) (int, error) {
	var items []screen.Item
	asked, kept := p.Now(), 0
	keep := func() error {
		if len(items) == 0 {
			return nil
		}
		out, err := p.Store.AcceptHeld(ctx, items, asked)
		if err != nil {
			return fmt.Errorf("keep the context: %w", err)
		}
		for _, o := range out {
			if o.Fate == screen.Created {
				kept++
			}
		}
		items, asked = nil, p.Now()
		return nil
	}
	for _, ref := range refs {
		if len(items) >= keepEvery {
			if err := keep(); err != nil {
				return 0, err
			}
		}
		kind, id, _ := strings.Cut(ref, "/")
		r, _, err := p.Record.Read(ctx, kind, id)
		if gone(err) {
			continue
		}
		if why := gapOf(err); why != "" {
			gaps.add(kind, why)
			continue
		}
		if err != nil {
			return 0, fmt.Errorf("read a %s: %w", kind, err)
		}
		if it := p.read(r); wanted(it) {
			items = append(items, it)
		}
	}
	err := keep()
	return kept, err
}

// gone reports an entry that the record does not have, or no longer.
func gone(err error) bool {
	if errors.Is(err, fault.NotFound) {
		return true
	}
	var refused *rest.Refused
	return errors.As(err, &refused) && (refused.Status == http.StatusNotFound || refused.Status == http.StatusGone)
}

// gapOf sorts the answers that will not get better by asking again: "" for success and for what may pass. A 401 is no
// gap: without a valid token nothing can be said about one type.
func gapOf(err error) string {
	if errors.Is(err, rest.ErrIncomplete) {
		return postgres.GapCut
	}
	var refused *rest.Refused
	if !errors.As(err, &refused) || refused.Retryable {
		return ""
	}
	switch refused.Status {
	case http.StatusNotFound, http.StatusMethodNotAllowed, http.StatusNotImplemented:
		return postgres.GapUnsearchable
	case http.StatusForbidden:
		return postgres.GapForbidden
	case http.StatusBadRequest, http.StatusUnprocessableEntity:
		return postgres.GapRefused
	}
	return ""
}

// gaps collects what a pull could not read, each once.
type gaps map[postgres.Gap]bool

func (g *gaps) add(kind, why string) {
	if *g == nil {
		*g = gaps{}
	}
	(*g)[postgres.Gap{Type: kind, Why: why}] = true
}

// list gives the gaps by type and reason.
func (g gaps) list() []postgres.Gap {
	return slices.SortedFunc(maps.Keys(g), func(a, b postgres.Gap) int {
		return cmp.Or(cmp.Compare(a.Type, b.Type), cmp.Compare(a.Why, b.Why))
	})
}
