package compose

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"dwellwatch/internal/fault"

	"github.com/tidwall/gjson"
	"github.com/tidwall/sjson"
)

// edit is a held resource being changed in place: elements that nobody names stay byte for byte.
type edit struct {
	raw     []byte
	changed bool
	err     error
}

func (e *edit) get(path string) gjson.Result { return gjson.GetBytes(e.raw, path) }

func (e *edit) set(path, raw string) {
	if e.err != nil {
		return
	}
	if e.raw, e.err = sjson.SetRawBytes(e.raw, path, []byte(raw)); e.err == nil {
		e.changed = true
	}
}

func (e *edit) setString(path, value string) {
	text, err := json.Marshal(value)
	if err != nil {
		e.err = err
		return
	}
	e.set(path, string(text))
}

func (e *edit) remove(path string) {
	if e.err != nil || !e.get(path).Exists() {
		return
	}
	if e.raw, e.err = sjson.DeleteBytes(e.raw, path); e.err == nil {
		e.changed = true
	}
}

// Merge puts our elements of want (a Task from Task) into current, the record's own copy, and says whether that changed
// anything. What we do not know any more is left as it is; so is what others added: elements, extensions, identifiers,
// notes, inputs, an owner or performer that is not one of the site's. Status, intent, for, requester and authoredOn are
// never touched.
func Merge(current, want []byte, s Site) ([]byte, bool, error) {
	if !gjson.ValidBytes(current) || !gjson.ValidBytes(want) || gjson.GetBytes(current, "resourceType").String() != "Task" {
		return nil, false, fmt.Errorf("merge: not a Task: %w", fault.Invalid)
	}
	w := gjson.ParseBytes(want)
	e := &edit{raw: slices.Clone(current)}
	for _, path := range []string{"priority", "description", "focus", "reasonCode", "restriction.period.end"} {
		if v := w.Get(path); v.Exists() && !covers(e.get(path), v) {
			e.set(path, v.Raw)
		}
	}
	e.union("identifier", w.Get("identifier"))
	e.union("basedOn", w.Get("basedOn"))
	e.mergeInput(w.Get("input"))
	e.mergeAddressee(w, s)
	if e.changed {
		e.touch(w.Get("lastModified").String())
	}
	if e.err != nil {
		return nil, false, fmt.Errorf("merge Task: %w", e.err)
	}
	return e.raw, e.changed, nil
}

// union appends what is wanted and not there.
func (e *edit) union(path string, want gjson.Result) {
	for _, v := range want.Array() {
		if !slices.ContainsFunc(e.get(path).Array(), func(h gjson.Result) bool { return covers(h, v) }) {
			e.append(path, v.Raw)
		}
	}
}

func (e *edit) append(path, raw string) {
	if list := e.get(path); !list.IsArray() {
		e.set(path, "["+raw+"]")
		return
	}
	e.set(path+".-1", raw)
}

// mergeInput keeps the inputs of others in their order and puts ours behind them.
func (e *edit) mergeInput(want gjson.Result) {
	var ours, all []gjson.Result
	for _, h := range e.get("input").Array() {
		if h.Get(`type.coding.#(system=="` + InputSystem + `")`).Exists() {
			ours = append(ours, h)
			continue
		}
		all = append(all, h)
	}
	wanted := want.Array()
	if slices.EqualFunc(ours, wanted, covers) {
		return
	}
	var raw []string
	for _, v := range append(all, wanted...) {
		raw = append(raw, v.Raw)
	}
	if len(raw) == 0 {
		e.remove("input")
		return
	}
	e.set("input", "["+strings.Join(raw, ",")+"]")
}

// mergeAddressee moves the Task from one of the site's own addressees to the wanted one; an addressee chosen by others
// stays.
func (e *edit) mergeAddressee(want gjson.Result, s Site) {
	owner := e.get("owner")
	oursOwner := !owner.Exists() || slices.ContainsFunc([]string{s.ClinicOwner, s.CoordinatorOwner}, func(ref string) bool {
		return ref != "" && SameReference(owner.Get("reference").String(), ref)
	})
	oursType := !slices.ContainsFunc(e.get("performerType").Array(), func(h gjson.Result) bool { return !s.names(h) })
	if !oursOwner || !oursType {
		return
	}
	for _, path := range []string{"owner", "performerType"} {
		v := want.Get(path)
		switch {
		case !v.Exists():
			e.remove(path)
		case !covers(e.get(path), v):
			e.set(path, v.Raw)
		}
	}
}

// names reports whether a performerType is one of the site's.
func (s Site) names(have gjson.Result) bool {
	_, clinic := s.addressee("clinic")
	_, coordinator := s.addressee("coordinator")
	for _, c := range []Concept{clinic, coordinator} {
		raw, err := json.Marshal(c.element())
		if err == nil && covers(have, gjson.ParseBytes(raw)) {
			return true
		}
	}
	return false
}

// touch sets lastModified, never before authoredOn (invariant inv-1 of Task).
func (e *edit) touch(now string) {
	authored := e.get("authoredOn").String()
	a, errA := time.Parse(time.RFC3339Nano, authored)
	n, errN := time.Parse(time.RFC3339Nano, now)
	if errA == nil && errN == nil && n.Before(a) {
		now = authored
	}
	e.setString("lastModified", now)
}

// covers reports whether have says all that want says. A record may add members (a display, an id) and write a reference
// out in full; neither is a difference.
func covers(have, want gjson.Result) bool {
	switch {
	case want.IsObject():
		ok := have.IsObject()
		want.ForEach(func(key, w gjson.Result) bool {
			h := member(have, key.String())
			if key.String() == "reference" && h.Type == gjson.String && w.Type == gjson.String {
				ok = ok && SameReference(h.String(), w.String())
				return ok
			}
			ok = ok && covers(h, w)
			return ok
		})
		return ok
	case want.IsArray():
		return have.IsArray() && slices.EqualFunc(have.Array(), want.Array(), covers)
	}
	return have.Exists() && have.Type == want.Type && have.String() == want.String()
}

// member finds a member by its exact name.
func member(object gjson.Result, name string) gjson.Result {
	var found gjson.Result
	object.ForEach(func(key, value gjson.Result) bool {
		if key.String() == name {
			found = value
			return false
		}
		return true
	})
	return found
}

// SameReference reports whether two references name the same entry, one of them perhaps by its full address or with a
// version.
func SameReference(a, b string) bool {
	a, _, _ = strings.Cut(a, "/_history/")
	b, _, _ = strings.Cut(b, "/_history/")
	if a == b {
		return a != ""
	}
	if strings.Contains(a, "://") == strings.Contains(b, "://") {
		return false
	}
	if len(a) < len(b) {
		a, b = b, a
	}
	return strings.Contains(b, "/") && strings.HasSuffix(a, "/"+b)
}
