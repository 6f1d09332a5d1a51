package peertest

import (
	"encoding/json"
	"fmt"
	"strings"
)

// OwnFaults checks what the validators of others let pass, and returns the faults as "path: what", none if there are
// none. The rules are HL7's, from R4 (4.0.1):
//
//   - json.html: property names are unique; objects and arrays are never empty; strings have at least one character;
//     null only fills the gaps between an array of primitives and the "_" array of their ids and extensions.
//   - ele-1 (element.html): every element has a value or children; an id alone is not enough.
//   - dom-3 (domainresource.html): a contained resource is referred to from elsewhere in the resource, or refers to
//     the containing resource by "#".
//   - references.html#contained: a reference "#id" is to a contained resource of the same resource.
//
// Resources in a Bundle or in Parameters are checked each on its own.
func OwnFaults(resource json.RawMessage) []string {
	tree, err := parseTree(resource)
	if err != nil {
		return []string{"not JSON: " + err.Error()}
	}
	root, ok := tree.(object)
	if !ok {
		return []string{"not a JSON object"}
	}
	c := faultCollector{}
	c.checkResource(root.text("resourceType"), root)
	return c.faults
}

type faultCollector struct {
	faults []string
}

func (c *faultCollector) add(path, what string, args ...any) {
	c.faults = append(c.faults, path+": "+fmt.Sprintf(what, args...))
}

// checkResource checks one resource that is not contained in another.
func (c *faultCollector) checkResource(path string, resource object) {
	c.checkMembers(path, resource)
	c.checkContained(path, resource)
}

// checkElement checks a value below a resource. A resource in it that is not contained starts a check of its own.
func (c *faultCollector) checkElement(path string, value any) {
	switch v := value.(type) {
	case object:
		if v.get("resourceType") != nil && !strings.Contains(path[strings.LastIndexByte(path, '.')+1:], "contained[") {
			c.checkResource(path, v)
			return
		}
		c.checkMembers(path, v)
	case array:
		if len(v) == 0 {
			c.add(path, "an array is never empty")
		}
		for i, item := range v {
			c.checkElement(fmt.Sprintf("%s[%d]", path, i), item)
		}
	case scalar:
		switch v.value {
		case nil:
			c.add(path, "null fills no gap")
		case "":
			c.add(path, "a string is never empty")
		}
	}
}

func (c *faultCollector) checkMembers(path string, o object) {
	if len(o) == 0 {
		c.add(path, "an object is never empty (ele-1)")
	}
	seen := map[string]bool{}
	for _, m := range o {
		where := path + "." + m.key
		if seen[m.key] {
			c.add(where, "the property is given twice")
		}
		seen[m.key] = true
		partner := o.get(partnerOf(m.key))
		if list, ok := m.value.(array); ok && len(list) > 0 {
			others, _ := partner.(array)
			for i, item := range list {
				c.checkValue(fmt.Sprintf("%s[%d]", where, i), item, at(others, i))
			}
			continue
		}
		if isNull(m.value) {
			c.add(where, "null stands for nothing outside an array")
			continue
		}
		c.checkValue(where, m.value, partner)
	}
}

// checkValue checks a value beside what stands at its place under the partner key ("code" and "_code"): with a partner
// a null is a filler, and an object with an id alone belongs to a value.
func (c *faultCollector) checkValue(path string, value, partner any) {
	hasPartner := partner != nil && !isNull(partner)
	if isNull(value) && hasPartner {
		return
	}
	if o, ok := value.(object); ok && !hasPartner && len(o) == 1 && o[0].key == "id" {
		c.add(path, "an element with an id alone has no value (ele-1)")
	}
	c.checkElement(path, value)
}

func partnerOf(key string) string {
	if name, ok := strings.CutPrefix(key, "_"); ok {
		return name
	}
	return "_" + key
}

func isNull(value any) bool {
	s, ok := value.(scalar)
	return ok && s.value == nil
}

func at(list array, i int) any {
	if i < len(list) {
		return list[i]
	}
	return nil
}

// checkContained checks dom-3 and that "#id" references lead somewhere.
func (c *faultCollector) checkContained(path string, resource object) {
	contained, _ := resource.get("contained").(array)
	known := map[string]bool{}
	for _, item := range contained {
		if inner, ok := item.(object); ok && inner.text("id") != "" {
			known["#"+inner.text("id")] = true
		}
	}
	outside := localLinks(object(without(resource, "contained")))
	inside := make([][]link, len(contained))
	for i, item := range contained {
		inside[i] = localLinks(item)
	}
	for i, item := range contained {
		inner, _ := item.(object)
		target := "#" + inner.text("id")
		if target == "#" || !linksTo(target, outside, inside, i) && !hasLink(inside[i], "#") {
			c.add(fmt.Sprintf("%s.contained[%d]", path, i), "nothing refers to it (dom-3)")
		}
	}
	for _, l := range outside {
		if l.isReference && !known[l.target] {
			c.add(path+l.path, "%s is not a contained resource", l.target)
		}
	}
	for i, links := range inside {
		for _, l := range links {
			if l.isReference && l.target != "#" && !known[l.target] {
				c.add(fmt.Sprintf("%s.contained[%d]%s", path, i, l.path), "%s is not a contained resource", l.target)
			}
		}
	}
}

// link is a string that begins with "#". Only those called "reference" must lead somewhere; dom-3 lets canonicals and
// uris refer too, and their names are many.
type link struct {
	path        string
	target      string
	isReference bool
}

// localLinks finds the links of a resource, but not of the resources in it that are checked on their own.
func localLinks(value any) []link {
	var links []link
	var walk func(path, key string, value any)
	walk = func(path, key string, value any) {
		switch v := value.(type) {
		case object:
			if path != "" && v.get("resourceType") != nil {
				return
			}
			for _, m := range v {
				walk(path+"."+m.key, m.key, m.value)
			}
		case array:
			for i, item := range v {
				walk(fmt.Sprintf("%s[%d]", path, i), key, item)
			}
		case scalar:
			if target := text(v); strings.HasPrefix(target, "#") {
				links = append(links, link{path, target, key == "reference"})
			}
		}
	}
	walk("", "", value)
	return links
}

func without(o object, key string) []member {
	var rest []member
	for _, m := range o {
		if m.key != key {
			rest = append(rest, m)
		}
	}
	return rest
}

// linksTo says that the resource or a contained resource other than self refers to target.
func linksTo(target string, outside []link, inside [][]link, self int) bool {
	if hasLink(outside, target) {
		return true
	}
	for i, links := range inside {
		if i != self && hasLink(links, target) {
			return true
		}
	}
	return false
}

func hasLink(links []link, target string) bool {
	for _, l := range links {
		if l.target == target {
			return true
		}
	}
	return false
}
