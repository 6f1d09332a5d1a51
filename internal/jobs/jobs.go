// Package jobs names the units of work in the queue and their arguments. Arguments hold our own numbers and keys only:
// the queue's pages and logs show them, so no patient data and no FHIR ids.
package jobs

// AssessPatient assesses one person. Version is the chart version that made the job: it is part of the arguments so that
// data arriving while the person is being assessed always finds its own job.
type AssessPatient struct {
	Person  string `json:"person"`
	Version int64  `json:"version"`
	// Day is the sweep's day (YYYY-MM-DD), "" for a job made by data.
	Day string `json:"day,omitempty"`
	// Basis is the number of the basis that asked, 0 for a job made by data.
	Basis int64 `json:"basis,omitempty"`
}

// Kind names the job in the queue.
func (AssessPatient) Kind() string { return "assess_patient" }

// WriteBack converges one filter's referral in the record to the state saved under Version.
type WriteBack struct {
	Key     string `json:"key"`
	Version int64  `json:"version"`
	// Look asks to look for surplus copies of what was written.
	Look bool `json:"look,omitempty"`
}

// Kind names the job in the queue.
func (WriteBack) Kind() string { return "write_back" }

// PullContext reads a followed person's context from the record.
type PullContext struct {
	Person string `json:"person"`
	// Version is the person's pull number: each new evidence or alias asks for one pull more.
	Version int64 `json:"version"`
}

// Kind names the job in the queue.
func (PullContext) Kind() string { return "pull_context" }

// ErasePerson forgets a person whose last evidence was retracted, once the record confirms that nothing of ours is open.
type ErasePerson struct {
	Person  string `json:"person"`
	Version int64  `json:"version"`
}

// Kind names the job in the queue.
func (ErasePerson) Kind() string { return "erase_person" }

// DailySweep queues everyone whose assessment can have changed by the facility's day.
type DailySweep struct {
	Day string `json:"day"`
}

// Kind names the job in the queue.
func (DailySweep) Kind() string { return "daily_sweep" }
