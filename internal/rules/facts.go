package rules

import "dwellwatch/internal/filter"

// Class groups diagnoses by what they mean for a filter.
type Class string

const (
	PE                Class = "pe"
	DVT               Class = "dvt"
	CavalThrombosis   Class = "caval-thrombosis"
	Bleed             Class = "bleed"
	Thrombocytopenia  Class = "thrombocytopenia"
	HIT               Class = "hit" // contraindicates heparins only
	BleedingDisorder  Class = "bleeding-disorder"
	Displacement      Class = "displacement"
	Penetration       Class = "penetration"
	Fracture          Class = "fracture"
	DeviceThrombosis  Class = "device-thrombosis"
	DeviceInfection   Class = "device-infection"
	DeviceHaemorrhage Class = "device-haemorrhage"
	DeviceEmbolism    Class = "device-embolism"
	DevicePain        Class = "device-pain"
	DeviceStenosis    Class = "device-stenosis"
	DeviceOther       Class = "device-other"
	Palliative        Class = "palliative"
)

// Diagnosis is one condition of the record that matters here; refuted and retracted ones are not read.
type Diagnosis struct {
	Class     Class
	Label     string      // code and system for people, e.g. "ICD-10-CM I26.99"
	Onset     filter.Span // Unknown where the record gives none
	Recorded  filter.Span // recordedDate, else the day of meta.lastUpdated
	Ended     filter.Span // abatement; Unknown where there is none
	Inactive  bool        // clinical status resolved, inactive or remission
	Acute     bool        // the code means an acute event (not chronic, not history)
	Later     bool        // 7th character D or S: a later encounter or a sequela
	Assumed   bool        // no day of its own is on record: it is taken from the placement that names it as its reason
	Own       bool        // of what can be a complication: the code is for filters, or words, site or a device reference tie it to one
	Names     bool        // of these: not by the cava alone
	Words     Words
	Encounter filter.Ref
	Devices   []filter.Ref // devices the entry refers to
	Evidence  []filter.Ref
}

// Words are what the text of a complication says beyond its code.
type Words struct {
	Pain, Bleeding, Organ, HeartOrLung, Missing, Asymptomatic, Swelling, New bool
	// FilterInHeart says that it is a filter, or a part of one, that lies in heart or lung, whatever the code is for.
	FilterInHeart bool
	// Out says that the filter or a part of one came out; HeartOut, that what lay in heart or lung did.
	Out, HeartOut bool
	// AtRetrieval and AfterRetrieval say when it happened.
	AtRetrieval, AfterRetrieval bool
}

// Day gives the best known day: onset, else the day it was recorded.
func (d Diagnosis) Day() filter.Span {
	if d.Onset.Known() {
		return d.Onset
	}
	return d.Recorded
}

// Course is one anticoagulant order, statement, dispense or administration.
type Course struct {
	Agent      string      // ingredient, lower case, as in the dose table
	MgPerDose  float64     // 0 where unknown; units for heparins measured in units
	PerKg      float64     // mg or units per kg of body weight and dose; 0 where the dose is not given so
	PerDay     float64     // doses a day; 0 where unknown
	Product    float64     // strength of the product in mg or units; 0 where unknown
	Start      filter.Span // first day
	End        filter.Span // last day; Unknown where it goes on
	Over       bool        // the record says that it has ended, though perhaps not when
	Authored   filter.Span
	Refilled   filter.Span  // latest day of a dispense or renewal; Unknown where none
	RefilledBy []filter.Ref // what tells of it
	Outpatient bool
	Doubtful   bool // its words say something of the dose that is not understood, or speak against its elements
	Unsure     bool // what its status or intent says does not tell whether it is, or was, prescribed or given at all
	Never      bool // as needed, one-off, flush or line lock: never anticoagulation
	Evidence   []filter.Ref
}

// Lab is one measured value.
type Lab struct {
	What     string // platelets | inr | weight | haemoglobin | creatinine
	Value    float64
	Form     Form // how the value is told: exactly, or by a limit
	Day      filter.Span
	Evidence []filter.Ref
}

// Bounds gives the least and the greatest value that an entry can mean.
func (l Lab) Bounds() (low, high float64) { return Measure{Value: l.Value, Form: l.Form}.Bounds() }

// Told writes the value as the entry tells it, without its unit.
func (l Lab) Told() string { return Measure{Value: l.Value, Form: l.Form}.Told() }

// Reason is why a filter was placed, as the placement itself says.
type Reason struct {
	Of           filter.Ref // the placement entry
	Prophylactic bool
	Condition    filter.Ref // the condition it refers to, "" where it only names a code
	VTE          Class      // of the thromboembolism that the reason's own code names, else ""
	Label        string     // of that code, as in Diagnosis
	Evidence     []filter.Ref
}

// Plan is a documented decision about the filter's future.
type Plan struct {
	Permanent bool       // else: planned for retrieval
	Of        filter.Ref // the placement or device it names; "" where it names none
	Made      filter.Span
	At        int64 // as in Contact
	Evidence  []filter.Ref
}

// Order is a request or an appointment for retrieval made by anyone.
type Order struct {
	Booked   bool
	Made     filter.Span
	For      filter.Span  // the booked day; Unknown for a request
	Of       []filter.Ref // the entries it says it is about, a device or a placement among them; often none
	Evidence []filter.Ref
}

// Neighbour is another filter of the same patient: what it stands on, the days on which its retrieval was done or tried, when it was placed
// and, where it is out as a whole, when it came out.
type Neighbour struct {
	Own             []filter.Ref
	Tried           []filter.Span
	Placed, Removed filter.Span
	Out             bool
}

// OwnTask is a Task of ours as the record shows it.
type OwnTask struct {
	Key      string       // filter key (series identifier)
	Status   string       // FHIR task-status
	Priority string       // http://hl7.org/fhir/request-priority
	Owner    string       // as the record shows it: display, else reference; "" where there is none
	Evidence []filter.Ref // the entry that the Task is about
	Ref      filter.Ref
	// ClosedByUs says that its status is our own doing: nobody has answered it.
	ClosedByUs bool
	// Order says that it was made as an order, which a clinician approved.
	Order bool
}

// Dated is a fact with a day.
type Dated struct {
	When     filter.Span
	Agent    string // of a statement that it is not taken; "" where it is about none
	Made     filter.Span
	Evidence []filter.Ref
}

// Visit is an encounter with the diagnoses it was for.
type Visit struct {
	When     filter.Span // its first day
	Bleed    bool        // one of its reasons is coded as a bleed
	For      []filter.Ref
	Evidence []filter.Ref
}

// Image is what the report of an examination says of a thromboembolism.
type Image struct {
	When          filter.Span
	NewPE, NewDVT bool
	Evidence      []filter.Ref
}

// Body is what the estimate of kidney function needs of the patient.
type Body struct {
	Born     filter.Span
	Sex      string // http://hl7.org/fhir/administrative-gender; "" where unknown
	Evidence []filter.Ref
}

// Facts is everything but the filter events that the rules read of one patient.
type Facts struct {
	Deceased        *Dated
	Body            Body
	Diagnoses       []Diagnosis
	Courses         []Course
	Labs            []Lab
	Reasons         []Reason
	Plans           []Plan
	Orders          []Order
	OwnTasks        []OwnTask
	Neighbours      []Neighbour // of the filter that is judged
	Surgeries       []Dated     // orders and appointments for surgery other than a retrieval
	Mobility        []Dated     // documented mobility or a statement that the risk has passed
	Discharges      []Dated
	Departures      []filter.Ref // stays that ended in death or hospice care, read where a placement was preventive
	Visits          []Visit
	Images          []Image
	NoAnticoagulant []Dated // an entry that states that no anticoagulant is taken
	Measures        []Measure
	Studies         []Study
	Stays           []Dated // inpatient stays that go on
	Contacts        []Contact
	Reassessments   []Reassessment
	NotAttempted    []NotAttempted
}

// Contact is one attempt of ours to reach the patient.
type Contact struct {
	When     filter.Span
	At       int64 // milliseconds since 1970, so that of two on one day the later is known; 0 where the entry gives a day only
	Reached  bool
	How      string // "telephone", "letter", …
	Why      string // why nobody was reached
	Evidence []filter.Ref
}

// Reassessment is a clinician's word on whether the filter is still needed. Exactly one of the two is true.
type Reassessment struct {
	When                        filter.Span
	At                          int64 // as in Contact
	StillNeeded, NoLongerNeeded bool
	Until                       filter.Span  // of StillNeeded: the day to look again; Unknown where none was given
	Of                          []filter.Ref // the device or placement it is about; empty where it names none
	Evidence                    []filter.Ref
}

// NotAttempted is a retrieval that was to be and was not tried.
type NotAttempted struct {
	When     filter.Span
	Why      string
	Evidence []filter.Ref
}
