package rules

import (
	"slices"

	"dwellwatch/internal/filter"
	"dwellwatch/internal/policy"
)

// Weight says what a complication does to the verdict.
type Weight int

const (
	NoEffect    Weight = iota // a low finding
	RaiseReview               // review at least
	IsUrgent
)

// Complication is one current complication of this filter.
type Complication struct {
	Rule      string
	Weight    Weight
	Emergency bool
	Symptom   bool
	// Severe says that it is urgent by its kind, whatever its age: only the urgency ages, the trouble of a removal does not.
	Severe   bool
	Text     string
	When     filter.Span // when it began, else when it was recorded
	Evidence []filter.Ref
	// Kind and Against name the contradiction of its days with those of the filter; "" where there is none.
	Kind, Against string
}

// complications reads diagnoses that can be of this filter: after its placement, active, current. Of one that is out they are those that
// contradict it.
func (s *Situation) complications() []Complication {
	var out []Complication
	for i := range s.Facts.Diagnoses {
		d := &s.Facts.Diagnoses[i]
		c, ok := s.complication(d)
		if ok && s.gone() {
			c, ok = s.yet(d, c)
		}
		if ok {
			out = append(out, c)
		}
	}
	for _, d := range s.newVTEs() {
		if s.gone() {
			break
		}
		if d.Class == PE && !d.Inactive && s.recent(d) {
			out = append(out, Complication{Rule: "new-pe", Weight: IsUrgent, Symptom: false, When: d.Day(), Evidence: d.Evidence,
				Text: "New pulmonary embolism with the filter in place, onset " + d.Onset.String() + "."})
		}
	}
	// An emergency stands first, whatever else is urgent: the first one is the headline.
	slices.SortStableFunc(out, func(a, b Complication) int {
		switch {
		case a.Emergency && !b.Emergency:
			return -1
		case b.Emergency && !a.Emergency:
			return 1
		}
		return int(b.Weight) - int(a.Weight)
	})
	return out
}

// Over lists the complications of this filter that the record calls over. A clinical status ends a complaint; it mends no filter.
func (s *Situation) Over() []Complication {
	var out []Complication
	for _, d := range s.Facts.Diagnoses {
		if !d.Inactive || !s.afterPlacement(d) {
			continue
		}
		d.Inactive = false
		if c, ok := s.complication(&d); ok && c.Weight > NoEffect {
			out = append(out, c)
		}
	}
	return out
}

// recent reports an onset at most 90 days ago, or a first record at most 30 days ago.
func (s *Situation) recent(d Diagnosis) bool {
	if d.Onset.Bounded() && s.Clock.Within(d.Onset.Latest, s.Policy.ComplicationDays) {
		return true
	}
	return d.Recorded.Bounded() && s.Clock.Within(d.Recorded.Latest, s.Policy.FirstHeardDays)
}

func (s *Situation) complication(d *Diagnosis) (Complication, bool) {
	c := Complication{When: d.Day(), Evidence: d.Evidence}
	early := s.tooEarly(d)
	if !s.Clock.Reached(d.Day().Earliest) || d.Inactive || !early && !s.afterPlacement(*d) || !s.ofThisFilter(*d) {
		return c, false
	}
	if early {
		c.Kind = "complication-before-placement"
		c.Against = "A complication of a vena cava filter is dated " + d.Day().String() + " (" + d.Label + "), before the placement of " + s.Filter.Placed.String() + ": the day of placement is wrong, or there was an earlier filter."
	}
	switch d.Class {
	case Displacement:
		c.Rule, c.Weight, c.Text = "displacement", IsUrgent, "The filter is recorded as displaced; the direction is not known until imaged."
		c.Emergency = d.Words.HeartOrLung
	case Penetration:
		c.Rule, c.Weight, c.Text = "penetration", RaiseReview, "Penetration of the caval wall is recorded."
		if d.Words.Organ || d.Words.Bleeding || d.Words.Pain {
			c.Weight, c.Text = IsUrgent, "Penetration of the caval wall with organ contact, bleeding or pain is recorded."
		}
	case Fracture:
		c.Rule, c.Weight, c.Text = "fracture", RaiseReview, "Fracture of the filter is recorded."
		if d.Words.Missing || d.Words.HeartOrLung {
			c.Weight, c.Text = IsUrgent, "Fracture of the filter with a fragment missing or travelled is recorded."
		}
		c.Emergency = d.Words.HeartOrLung
	case CavalThrombosis:
		placed := s.Filter.Placed
		if !d.Acute || !d.Day().Known() || !placed.Known() || d.Day().Earliest <= placed.Latest.Add(s.Policy.NewVTEAfterDays) {
			return c, false
		}
		// What was recorded late without an onset may be what the filter was placed for, where the placement says so.
		if !d.Onset.Known() && slices.ContainsFunc(s.why, func(r Reason) bool { return r.Condition != "" && r.Condition == first(d.Evidence) }) {
			return c, false
		}
		c.Rule, c.Weight, c.Text = "caval-thrombosis", IsUrgent, "Acute thrombosis or occlusion of the cava began "+d.Onset.String()+", with the filter in place."
		if !d.Onset.Known() {
			c.Text = "Acute thrombosis or occlusion of the cava was first recorded " + d.Recorded.String() + ", with the filter in place; when it began is not said."
		}
		if d.Words.Asymptomatic {
			c.Weight = RaiseReview
		}
	case DeviceThrombosis:
		if !d.Own {
			return s.low(*d), true
		}
		c.Rule, c.Weight, c.Text = "caval-thrombosis", IsUrgent, "Thrombosis of the filter is recorded."
		if d.Words.Asymptomatic || !d.Day().Known() || !early && s.Filter.Placed.Known() && d.Day().Earliest <= s.Filter.Placed.Latest.Add(s.Policy.NewVTEAfterDays) {
			c.Weight = RaiseReview
		}
	case DeviceInfection, DeviceHaemorrhage:
		if !d.Own {
			return s.low(*d), true
		}
		c.Rule, c.Weight, c.Text = "infection", IsUrgent, "Infection of the filter is recorded."
		if d.Class == DeviceHaemorrhage {
			c.Rule, c.Text, c.Emergency = "haemorrhage", "Haemorrhage due to the filter is recorded.", true
		}
	case DevicePain, DeviceStenosis, DeviceOther, DeviceEmbolism:
		if !d.Own {
			return s.low(*d), true
		}
		c.Rule, c.Weight, c.Text = "filter-complaint", RaiseReview, "Pain, stenosis or another complaint of the filter is recorded."
		if d.Words.HeartOrLung {
			c.Rule, c.Weight, c.Emergency, c.Text = "fracture", IsUrgent, true, "A fragment of the filter in the heart or lung is recorded."
		}
	default:
		return c, false
	}
	c.Text += " (" + d.Label + ")"
	c.Severe = c.Weight == IsUrgent
	c.Symptom = d.Words.Pain || d.Words.Bleeding || d.Words.Swelling || d.Words.Organ || d.Class == DevicePain || d.Class == DeviceHaemorrhage
	// A later encounter, a sequela, or an event that is no longer current raises to review at least.
	if c.Weight == IsUrgent && (d.Later || !s.recent(*d)) {
		c.Weight, c.Emergency = RaiseReview, false
	}
	return c, true
}

// low is a finding without effect: a device complication code that belongs to many devices.
func (s *Situation) low(d Diagnosis) Complication {
	return Complication{Rule: "device-complication-unspecific", Weight: NoEffect, When: d.Day(), Evidence: d.Evidence,
		Text: "A device complication code that belongs to many devices is recorded, with nothing that ties it to the filter (" + d.Label + ")."}
}

// afterPlacement reports whether a complication can have begun after this filter was placed.
func (s *Situation) afterPlacement(d Diagnosis) bool {
	return !s.Filter.Placed.Known() || !d.Day().Known() || d.Day().Latest >= s.Filter.Placed.Earliest
}

// ofThisFilter leaves out a complication that names another filter's device.
func (s *Situation) ofThisFilter(d Diagnosis) bool {
	if len(d.Devices) == 0 {
		return true
	}
	for _, ref := range d.Devices {
		if slices.Contains(s.Filter.Evidence, ref) || slices.ContainsFunc(s.Filter.Devices, func(v filter.Device) bool { return v.Ref == ref }) {
			return true
		}
	}
	return false
}

// symptomatic reports pain, bleeding, swelling or organ injury attributed to the filter or the cava.
func (s *Situation) symptomatic() []filter.Ref {
	var out []filter.Ref
	for _, c := range s.Complications {
		if c.Symptom {
			out = append(out, c.Evidence...)
		}
	}
	return out
}

func complicationRules() []Rule {
	const source = "FDA notice of 9 August 2010 (migration, embolised parts, perforation, fracture); codes by ICD-10-CM; urgency is common practice, no source"
	rule := func(id, title string) Rule {
		return Rule{id, title, source, policy.Practice, func(s *Situation) []Finding {
			var out []Finding
			for _, c := range s.Complications {
				if c.Rule == id {
					out = append(out, s.find(c.Text, c.Evidence)...)
				}
			}
			return out
		}}
	}
	return []Rule{
		rule("displacement", "The filter has moved"),
		rule("penetration", "A strut has gone through the caval wall"),
		rule("fracture", "The filter has broken"),
		rule("caval-thrombosis", "Clot in the filter or the cava"),
		rule("new-pe", "New pulmonary embolism with the filter in place"),
		rule("infection", "Infection of the filter"),
		rule("haemorrhage", "Bleeding due to the filter"),
		{"anticoagulant-beside-bleed", "A therapeutic anticoagulant beside an active bleed", "common practice, no source: what must not be together is settled by the treating team at once", policy.Practice, func(s *Situation) []Finding {
			if len(s.Conflict) == 0 || s.gone() {
				return nil
			}
			return s.find("A therapeutic anticoagulant is on record and so is an active bleed; the one or the other is out of date, or what is prescribed must not be given.", s.Conflict)
		}},
		{"haemoglobin-fall", "The haemoglobin has fallen", "ISTH definition of major bleeding, Schulman and Kearon, J Thromb Haemost 2005;3:692-694: a fall of 2 g/dL", policy.Memory, func(s *Situation) []Finding {
			if len(s.HaemoglobinFall) == 0 || s.gone() {
				return nil
			}
			return s.find("The latest haemoglobin is far below one shortly before it: bleeding, also at the access or behind the cava, must be excluded.", s.HaemoglobinFall)
		}},
		rule("filter-complaint", "Another complaint of the filter"),
		rule("device-complication-unspecific", "A device complication not tied to the filter"),
	}
}
