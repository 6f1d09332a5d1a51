package fhir

import (
	"slices"
	"strings"
	"time"
)

// OtherPerson reports whether two copies of a Patient tell of two people: both have identifiers and share none, or both have a name and
// a day of birth and differ in both. What one of them does not tell is no difference.
func OtherPerson(a, b Resource) bool {
	x, y := a.Document(), b.Document()
	return apart(identifiersIn(x), identifiersIn(y), shared) ||
		apart(namesIn(x), namesIn(y), slices.Equal[[]string]) && otherBirth(x.Get("birthDate").String(), y.Get("birthDate").String())
}

// apart reports whether both lists hold something, and nothing of the one is in the other.
func apart[T any](a, b []T, same func(x, y T) bool) bool {
	return len(a) > 0 && len(b) > 0 && !slices.ContainsFunc(a, func(x T) bool {
		return slices.ContainsFunc(b, func(y T) bool { return same(x, y) })
	})
}

type identifier struct{ system, value string }

func identifiersIn(patient Value) []identifier {
	var out []identifier
	for i := range patient.Get("identifier").Each() {
		if value := strings.TrimSpace(i.Get("value").String()); value != "" {
			out = append(out, identifier{strings.TrimSpace(i.Get("system").String()), value})
		}
	}
	return out
}

// shared takes a system that is left out for the other's.
func shared(a, b identifier) bool {
	return a.value == b.value && (a.system == b.system || a.system == "" || b.system == "")
}

// namesIn gives the words of each name, in small letters and in order of the alphabet: family and given names, or else the text.
func namesIn(patient Value) [][]string {
	var out [][]string
	for n := range patient.Get("name").Each() {
		text := n.Get("family").String()
		for given := range n.Get("given").Each() {
			text += " " + given.String()
		}
		if strings.TrimSpace(text) == "" {
			text = n.Get("text").String()
		}
		if words := strings.Fields(strings.ToLower(text)); len(words) > 0 {
			slices.Sort(words)
			out = append(out, words)
		}
	}
	return out
}

// otherBirth reports whether two days of birth, each perhaps only a month or a year, cannot be one.
func otherBirth(a, b string) bool {
	x, err := ParseDate(a, time.UTC)
	y, wrong := ParseDate(b, time.UTC)
	return err == nil && wrong == nil && (x.Last < y.First || y.Last < x.First)
}
