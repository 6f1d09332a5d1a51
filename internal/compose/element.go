package compose

// The parts of FHIR R4 that we write, with the members that we write and no others; every optional one is left out when
// it is empty, because FHIR has no empty arrays, objects or strings.

type reference struct {
	Reference string `json:"reference"`
}

type coding struct {
	System  string `json:"system,omitempty"`
	Code    string `json:"code,omitempty"`
	Display string `json:"display,omitempty"`
}

type concept struct {
	Coding []coding `json:"coding,omitempty"`
	Text   string   `json:"text,omitempty"`
}

type identifier struct {
	System string `json:"system"`
	Value  string `json:"value"`
}

type period struct {
	Start string `json:"start,omitempty"`
	End   string `json:"end,omitempty"`
}

type device struct {
	ResourceType string          `json:"resourceType"`
	ID           string          `json:"id"`
	DeviceName   []deviceName    `json:"deviceName"`
	Type         concept         `json:"type"`
	Version      []deviceVersion `json:"version,omitempty"`
}

type deviceName struct {
	Name string `json:"name"`
	Type string `json:"type"`
}

type deviceVersion struct {
	Value string `json:"value"`
}

const softwareID = "dwellwatch"

// software is the contained Device that stands for this program.
func (s Site) software() []device {
	d := device{ResourceType: "Device", ID: softwareID,
		DeviceName: []deviceName{{"dwellwatch", "user-friendly-name"}},
		Type:       concept{Text: "Software that drafts referrals for clinician review"}}
	if s.Version != "" {
		d.Version = []deviceVersion{{s.Version}}
	}
	return []device{d}
}

func references(refs []string) []reference {
	var out []reference
	for _, r := range refs {
		out = append(out, reference{r})
	}
	return out
}

func referenceOrNone(ref string) *reference {
	if ref == "" {
		return nil
	}
	return &reference{ref}
}

func (c Concept) element() concept {
	e := concept{Text: c.Text}
	if c.Code != "" {
		e.Coding = []coding{{System: c.System, Code: c.Code}}
	}
	return e
}
