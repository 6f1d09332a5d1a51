package assess

import (
	"dwellwatch/internal/filter"
	"dwellwatch/internal/plan"
)

// Range is a pair of calendar days; a side that is not known is null.
type Range struct {
	Earliest *string `json:"earliest"`
	Latest   *string `json:"latest"`
}

// Days is a count of whole days; a side that is not known is null.
type Days struct {
	Min *int `json:"min"`
	Max *int `json:"max"`
}

// Band is the retrieval window on the calendar: the policy's first and last dwell day, counted from the placement. A
// placement that is known only in part makes its ends ranges.
type Band struct {
	FirstDay int   `json:"firstDay"` // dwell day of the policy
	LastDay  int   `json:"lastDay"`
	Opens    Range `json:"opens"`
	Closes   Range `json:"closes"`
}

// Model is what is known of the device.
type Model struct {
	Name   string `json:"name"`
	Design string `json:"design"` // conical | double-basket | other | unknown
	Intent string `json:"intent"` // retrievable | permanent | unknown: the labelled use
	By     string `json:"by"`     // udi | model-number | name | none: how it was identified
}

// Anticoagulation is the level of what is prescribed on the day of the assessment.
type Anticoagulation struct {
	Level string  `json:"level"` // therapeutic | reduced | prophylactic | none | indeterminate | unknown
	Agent *string `json:"agent"`
	Since *string `json:"since"` // start of unbroken therapeutic cover; null where there is none
	// Agents lists all that is prescribed, by name; agent is the one that the level is of.
	Agents []Prescribed `json:"agents"`
}

// Prescribed is one agent with its level.
type Prescribed struct {
	Agent string `json:"agent"`
	Level string `json:"level"` // therapeutic | reduced | prophylactic | indeterminate
}

// Finding is one thing a rule says, with the record entries it used and its published source.
type Finding struct {
	Rule     string   `json:"rule"`
	Text     string   `json:"text"`
	Evidence []string `json:"evidence"`
	Source   string   `json:"source"`
	Known    string   `json:"known"` // how the source is known: seen | second-hand | memory | choice | practice
	// By says which measured values decided it; "" where none did. Another value that decides the same makes no new document.
	By string `json:"by"`
	// When is the onset of the complication it tells of; null where it tells of none, or the record gives no day of onset.
	When *Range `json:"when"`
}

// Contradiction is a place where the record disagrees with itself.
type Contradiction struct {
	Kind     string   `json:"kind"`
	Text     string   `json:"text"`
	Evidence []string `json:"evidence"`
	// Decides says whether it is about whether, which or since when a filter is in, and so changes the verdict.
	Decides bool `json:"decides"`
}

// Missing is something the record does not hold and the assessment would have used.
type Missing struct {
	What string `json:"what"` // a stable code, e.g. "context", "placement-day", "anticoagulation"
	Text string `json:"text"`
}

// Event is one line of a filter's story, for people to read.
type Event struct {
	When     Range    `json:"when"`
	What     string   `json:"what"` // placement | removal | attempt | partial-removal | repositioning | device | sighting | hint | claim | removal-claim
	Text     string   `json:"text"`
	Evidence []string `json:"evidence"`
}

// Filter is the assessment of one filter. Members may be added, never renamed (design 3).
type Filter struct {
	Key                 string          `json:"key"`
	Standing            string          `json:"standing"` // in-place | removed | partly-removed | unclear
	Placed              *Range          `json:"placed"`
	Removed             *Range          `json:"removed"`
	Model               Model           `json:"model"`
	PlannedIntent       string          `json:"plannedIntent"` // retrieve | permanent | unknown
	DwellDays           *Days           `json:"dwellDays"`
	Window              string          `json:"window"`     // before | in | past | undetermined
	WindowBand          *Band           `json:"windowBand"` // null where the day of placement is not known on either side
	Indication          string          `json:"indication"` // resolved | likely-resolved | still-indicated | unknown
	Anticoagulation     Anticoagulation `json:"anticoagulation"`
	Verdict             string          `json:"verdict"`  // refer | urgent | review | wait | keep | clarify | closed
	Headline            string          `json:"headline"` // why the verdict, in one sentence with dates and no ages
	Overdue             bool            `json:"overdue"`
	ReassessmentOverdue bool            `json:"reassessmentOverdue"`
	Emergency           bool            `json:"emergency"` // the part of urgent that is an emergency
	Asked               string          `json:"asked"`     // none | drafted | requested | booked | declined
	AskedEvidence       []string        `json:"askedEvidence"`
	ChangesOn           *string         `json:"changesOn"`
	LookAgainOn         *string         `json:"lookAgainOn"`
	Findings            []Finding       `json:"findings"`
	Contradictions      []Contradiction `json:"contradictions"`
	Missing             []Missing       `json:"missing"`
	Events              []Event         `json:"events"`
	// Focus is the Device, or else the placement Procedure, that a Task is about; "" where neither is known.
	Focus string `json:"focus"`
	// Evidence is every record entry that shaped this filter's history, sorted.
	Evidence []string `json:"evidence"`
	// Measured lists, of the entries that findings and plan name as evidence, those of measured values, sorted. A value measured again
	// that leaves all else as it is makes no new document.
	Measured []string `json:"measured"`
	// Plan proposes how it could be taken out; null but for the verdicts refer, urgent and review.
	Plan *plan.Plan `json:"plan"`
	// Others counts the patient's other filters that are or may be in.
	Others int `json:"others"`
	// PlacedFor says in words why it was placed; "" where the record does not tell.
	PlacedFor string `json:"placedFor"`
	// Courses and Background are for people to look at beside the history. No verdict stands on them, and a change of theirs alone
	// makes no new document.
	Courses    []Course    `json:"courses"`
	Background []Happening `json:"background"`
}

// Course is a time for which one anticoagulant was prescribed at one level.
type Course struct {
	Agent    string   `json:"agent"`
	Level    string   `json:"level"` // therapeutic | reduced | prophylactic | indeterminate
	Start    Range    `json:"start"`
	End      Range    `json:"end"`  // null on both sides while it runs, and where the record does not tell it
	Runs     bool     `json:"runs"` // on the day of the assessment
	Evidence []string `json:"evidence"`
}

// Happening is something beside the filter's own history: why it was placed, other thromboembolisms, what spoke against
// anticoagulation, and imaging since.
type Happening struct {
	When     Range    `json:"when"`
	What     string   `json:"what"` // reason | thromboembolism | contraindication | imaging
	Text     string   `json:"text"`
	Evidence []string `json:"evidence"`
}

// Unread is an element that could not be read and what was done instead.
type Unread struct {
	Resource string `json:"resource"`
	Path     string `json:"path"`
	Reason   string `json:"reason"`
}

// Assessment is the answer for one patient on one day.
type Assessment struct {
	AsOf    string   `json:"asOf"`
	Patient string   `json:"patient"` // Patient/id
	Policy  string   `json:"policy"`
	Note    string   `json:"note"`    // what "no filter" may mean; never "no filter"
	Context string   `json:"context"` // pulled | pending | feeds-only | input
	Filters []Filter `json:"filters"`
	Unread  []Unread `json:"unread"`
	// Merged names keys that turned out to be the same filter as another (old key -> kept key).
	Merged map[string]string `json:"merged,omitempty"`
	// Nameless lists the entries that came without an id, and so are known by it to nobody else: a reference to one
	// would lead nowhere outside this service.
	Nameless []string `json:"nameless,omitempty"`
	// DueOn is the first day on which the patient must be assessed again without new data; null if never.
	DueOn *string `json:"dueOn"`
	// Person is what the record says of the patient, for the document's head.
	Person Person `json:"person"`
	// FollowUp is what whoever follows the patient needs to know; no part of it changes a verdict or a document.
	FollowUp FollowUp `json:"followUp"`
}

// Person is the patient as the document's head needs it.
type Person struct {
	Name      string `json:"name"`
	BirthDate string `json:"birthDate"`
	Sex       string `json:"sex"`
	Deceased  bool   `json:"deceased"`
	// OtherNames are those in use beside the name, official ones first; Numbers are the hospital's numbers of the patient.
	OtherNames []string `json:"otherNames,omitempty"`
	Numbers    []string `json:"numbers,omitempty"`
}

// FollowUp is where the patient is, whether they can be reached, and what was tried.
type FollowUp struct {
	// Reachable says whether the record names a telephone number or an address; null where it holds no Patient.
	Reachable *bool `json:"reachable"`
	// InHospital says since when the patient has been in hospital, with null sides where the record does not say; null where no
	// stay goes on.
	InHospital   *Range         `json:"inHospital"`
	Contacts     []Contact      `json:"contacts"`
	NotAttempted []NotAttempted `json:"notAttempted"`
}

// Contact is one attempt to reach the patient, entered with us.
type Contact struct {
	When     Range    `json:"when"`
	Reached  bool     `json:"reached"`
	How      string   `json:"how"`
	Why      string   `json:"why"` // why nobody was reached
	Evidence []string `json:"evidence"`
}

// NotAttempted is a retrieval that was to be and was not tried.
type NotAttempted struct {
	When     Range    `json:"when"`
	Why      string   `json:"why"`
	Evidence []string `json:"evidence"`
}

// KnownKey is a key that was handed out before, with the evidence it stood on; the order of keys is the order of birth.
type KnownKey = filter.KnownKey
