package chart

import (
	"strings"

	"dwellwatch/fhir"
	"dwellwatch/internal/catalogue"
	"dwellwatch/internal/filter"
)

// noteDevice reads what a Device says about itself, before the entries that name it are read.
func (r *reader) noteDevice(n *node) {
	if n.status() == "entered-in-error" {
		return
	}
	if d, ok := r.describe(n); ok {
		n.device = &d
	}
}

// describe gives the device where the entry is a vena cava filter by catalogue or by listed phrase.
func (r *reader) describe(n *node) (filter.Device, bool) {
	var names []string
	for v := range n.get("deviceName").Each() {
		names = append(names, v.Get("name").String())
	}
	l := readLabel(n)
	d := filter.Device{Ref: n.ref(), Identifier: l.device, Lot: l.lot, Serial: l.serial, Number: strings.TrimSpace(n.get("modelNumber").String()), Flaw: l.flaw}
	name := ""
	if len(names) > 0 {
		name = names[0]
	}
	d.Name = name
	model, by := r.modelNamed(d, names)
	d.Model = modelOf(model, by)
	c := r.concept(n.get("type"))
	known := by != "none" || c.in("filter-device") || saysFilter(c.words) || saysFilter(strings.Join(names, " . "))
	return d, known
}

// modelNamed looks the device up by its identifier, its number and each of its names in turn; names of two models give none.
func (r *reader) modelNamed(d filter.Device, names []string) (catalogue.Model, string) {
	found, by := r.models.Find(d.Identifier, d.Number, "")
	if by != "none" {
		return found, by
	}
	for _, name := range names {
		m, how := r.models.Find("", "", name)
		switch {
		case how == "none":
		case by == "none":
			found, by = m, how
		case found.Name != m.Name:
			return r.models.Find("", "", "")
		}
	}
	return found, by
}

// device tells that a filter is in, on no known day, where the Device names this patient and its status says so.
func (r *reader) device(n *node) {
	if n.device == nil || n.get("patient").Get("reference").String() == "" {
		return
	}
	e := filter.Event{When: filter.Unknown(), Start: -1, Devices: []filter.Device{*n.device}, Evidence: n.evidence()}
	switch status := n.get("status"); {
	case !status.Exists() || status.String() == "active":
		e.Kind, e.Why = filter.InPlace, "device entry"
	case status.String() == "inactive":
		e.Kind, e.Why = filter.Hint, "device entry inactive"
	default:
		e.Kind, e.Why = filter.Claim, "device entry of unknown status"
		if status.String() != "unknown" {
			r.unread(n, "status", "not a status that FHIR knows; the entry counts as a claim only")
		}
	}
	r.out.Events = append(r.out.Events, e)
}

// deviceUse reads a DeviceUseStatement about a filter.
func (r *reader) deviceUse(n *node) {
	d, refs, ok := r.namedDevice(n, n.get("device"))
	if !ok {
		return
	}
	base := filter.Event{When: filter.Unknown(), Start: -1, Devices: []filter.Device{d}, Evidence: append(n.evidence(), refs...), Second: false}
	start, end, minute := r.period(n, "timingPeriod")
	seen, _ := r.day(n, "timingDateTime")
	switch n.status() {
	case "entered-in-error", "intended", "on-hold":
		return
	case "active":
		if start.Known() {
			e := base
			e.Kind, e.When, e.Start, e.Why = filter.Placement, start, minute, "device use begins"
			r.place(n, e)
		}
		e := base
		e.Kind, e.When, e.Why = filter.InPlace, seen, "device in use"
		r.out.Events = append(r.out.Events, e)
		if end.Known() {
			e := base
			e.Kind, e.When, e.Why = filter.Hint, end, "device use ended"
			r.out.Events = append(r.out.Events, e)
		}
	case "completed", "stopped":
		if start.Known() {
			e := base
			e.Kind, e.When, e.Start, e.Why = filter.Placement, start, minute, "device use begins"
			r.place(n, e)
		}
		e := base
		e.Kind, e.When, e.Why = filter.Hint, end, "device use ended"
		r.out.Events = append(r.out.Events, e)
	default:
		r.unread(n, "status", "missing or not a status that FHIR knows; the entry counts as a claim only")
		e := base
		e.Kind, e.When, e.Why = filter.Claim, start, "device use of unknown status"
		r.out.Events = append(r.out.Events, e)
	}
}

// namedDevice gives the filter that a reference names, with the entries it was read from. A reference that cannot be
// followed still names a filter where its display says so.
func (r *reader) namedDevice(n *node, reference fhir.Value) (filter.Device, []filter.Ref, bool) {
	t, ref := r.target(n, reference)
	if t != nil {
		if t.Type != "Device" {
			return filter.Device{}, nil, false
		}
		if t.device == nil && strings.Contains(ref, "#") {
			if d, ok := r.describe(t); ok {
				d.Ref = ref
				return d, nil, true
			}
			return filter.Device{}, nil, false
		}
		if t.device == nil {
			return filter.Device{}, nil, false
		}
		return *t.device, []filter.Ref{t.ref()}, true
	}
	display := reference.Get("display").String()
	if !saysFilter(display) {
		return filter.Device{}, nil, false
	}
	model, by := r.models.Find("", "", display)
	return filter.Device{Ref: ref, Name: display, Model: modelOf(model, by)}, nil, true
}

// place adds a placement and notes whether its day lies after the day the entry was written.
func (r *reader) place(n *node, e filter.Event) {
	r.out.Events = append(r.out.Events, r.dated(n, e))
}

func (r *reader) dated(n *node, e filter.Event) filter.Event {
	written := r.written(n)
	if !written.Known() {
		e.Undated = true
		return e
	}
	e.Future = e.When.Earliest > written.Latest
	return e
}

// IsFilterDevice reports whether a Device resource is a vena cava filter by catalogue or by listed phrase.
func IsFilterDevice(doc fhir.Value, sets Sets, models catalogue.Catalogue) bool {
	r := &reader{sets: sets, models: models}
	_, ok := r.describe(&node{Entry: &Entry{}, room: &r.room, doc: doc})
	return ok
}

// IsAnticoagulant reports whether a Medication resource is an anticoagulant by code or ingredient name.
func IsAnticoagulant(doc fhir.Value, sets Sets) bool {
	r := &reader{sets: sets}
	_, ok := anticoagulant(r.concept(doc.Get("code")))
	return ok
}

// TellsFilter reports whether a Procedure or DeviceUseStatement is evidence of a filter by itself: its code, a listed
// phrase in its code, or a device that it contains or names in words. Codes of the lower veins alone are not evidence.
func TellsFilter(doc fhir.Value, sets Sets, models catalogue.Catalogue) bool {
	r := &reader{sets: sets, models: models}
	code := r.concept(doc.Get("code"))
	for _, set := range []string{"filter-placement", "filter-removal", "filter-repositioning"} {
		if code.in(set) {
			return true
		}
	}
	if saysFilter(code.words) || saysFilter(doc.Get("device.display").String()) {
		return true
	}
	for v := range doc.Get("focalDevice").Every("manipulated.display") {
		if saysFilter(v.String()) {
			return true
		}
	}
	for c := range doc.Get("contained").Each() {
		if c.Get("resourceType").String() == "Device" && IsFilterDevice(c, sets, models) {
			return true
		}
	}
	return false
}
