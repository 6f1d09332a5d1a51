package chart

import (
	"slices"
	"strings"
)

// saysOut reports words by which a filter or a part of one came out. inHeart wants it to be what lies in heart or lung: the part, where
// one is spoken of. Anything in the text that may leave something behind, or that only means to take it out, speaks against it.
func saysOut(text string, inHeart bool) bool {
	if !mayHold(text, "retriev", "remov", "extract", "explant", "recover", "out") || saysDenied(text) ||
		says(text, "left behind", "left in", "left over", "was left", "were left") {
		return false
	}
	all := tokens(text)
	if slices.ContainsFunc(all, leavesSome) {
		return false
	}
	several, parted := slices.ContainsFunc(all, partsOfFilter), slices.ContainsFunc(all, partOfFilter)
	for _, clause := range clauses(text) {
		var before []string
		for piece := range strings.SplitSeq(clause, ",") {
			words := tokens(piece)
			for i := range words {
				if !cameOut(words, i) {
					continue
				}
				subject := words[:i]
				if !slices.ContainsFunc(subject, func(w string) bool { return !links(w) }) {
					subject = before // "fragment in the right ventricle, retrieved at the same session"
				}
				at, part := lastThing(subject)
				if at < 0 || slices.ContainsFunc(subject, func(w string) bool { return negates(w) || after(w) }) {
					continue
				}
				if !inHeart || part && (!several || partsOfFilter(subject[at])) || !part && !parted {
					return true
				}
			}
			before = words
		}
	}
	return false
}

// cameOut reports a word at i that says of what stands before it that it came out. What is to be retrieved has not.
func cameOut(words []string, i int) bool {
	told := slices.Contains([]string{"retrieved", "removed", "extracted", "explanted", "recovered"}, words[i])
	if words[i] == "out" && i > 0 && slices.Contains([]string{"came", "taken"}, words[i-1]) {
		told, i = true, i-1
	}
	return told && (i == 0 || words[i-1] != "be")
}

// lastThing finds the last word of a subject for a part of a filter, or for a filter that is not the whole of a part ("a strut of the
// filter"); -1 where there is none.
func lastThing(subject []string) (at int, part bool) {
	at = -1
	for i, w := range subject {
		switch {
		case partOfFilter(w):
			at, part = i, true
		case (w == "filter" || w == "ivcf") && (!part || !slices.Contains(subject[at+1:i], "of")):
			at, part = i, false
		}
	}
	return at, part
}

func partOfFilter(w string) bool {
	return partsOfFilter(w) || slices.Contains([]string{"fragment", "strut", "piece", "part", "component", "hook", "arm", "leg", "limb", "tine"}, w)
}

func partsOfFilter(w string) bool {
	return slices.Contains([]string{"fragments", "struts", "pieces", "parts", "components", "hooks", "arms", "legs", "limbs", "tines"}, w)
}

// leavesSome reports a word by which not everything came out, or nothing did yet.
func leavesSome(w string) bool {
	return slices.Contains([]string{"attempt", "attempted", "attempts", "planned", "scheduled", "will", "should", "must", "need", "needs", "awaiting", "pending", "partly", "partial", "partially", "incomplete", "incompletely",
		"one", "two", "three", "several", "multiple", "some", "another", "other", "second", "most", "remains", "remain", "remaining", "remained", "retained", "residual", "still", "persistent", "persists", "unable", "failed", "cannot", "could", "unless", "if"}, w)
}

// links reports a word that joins a piece of a sentence to the one before.
func links(w string) bool {
	return slices.Contains([]string{"and", "was", "were", "then", "which", "both", "all", "it", "successfully", "completely", "snared", "later", "taken", "came"}, w)
}

func after(w string) bool {
	return slices.Contains([]string{"after", "since", "following", "once", "when", "post", "despite", "until", "before"}, w)
}

// saysAtRetrieval reports words that put what a text tells to the time of a filter's retrieval, or after it.
func saysAtRetrieval(text string) (during, later bool) {
	if !mayHold(text, "retriev", "remov", "extract", "explant") || saysDenied(text) || slices.ContainsFunc(tokens(text), leavesSome) {
		return false, false
	}
	for _, clause := range clauses(text) {
		words := tokens(clause)
		for i, w := range words {
			at := slices.Contains([]string{"at", "during", "while"}, w)
			if !at && !slices.Contains([]string{"after", "following", "post"}, w) {
				continue
			}
			for _, next := range words[i+1:] {
				if slices.Contains([]string{"retrieval", "removal", "extraction", "explantation"}, next) {
					during, later = during || at, later || !at
					break
				}
				if !slices.Contains([]string{"the", "a", "an", "her", "his", "its", "ivc", "inferior", "vena", "cava", "caval", "filter", "ivcf", "s", "successful", "uneventful", "of", "time", "same"}, next) {
					break
				}
			}
		}
	}
	return during, later
}

// saysFilterInHeart wants one piece of a sentence to put a filter, or a part of one, into heart or lung, with no other device in it and no
// retrieval. A site that is coded or written apart gives the place.
func saysFilterInHeart(text string, site bool) bool {
	if !mayHold(text, "filter", "ivcf") {
		return false
	}
	for _, clause := range clauses(text) {
		for piece := range strings.SplitSeq(clause, ",") {
			words := tokens(piece)
			named := func(w string) bool { return w == "filter" || w == "ivcf" }
			if !slices.ContainsFunc(words, named) || saysRemoval(piece) || slices.ContainsFunc(words, otherDevice) {
				continue
			}
			if inHeart(piece) || site && slices.ContainsFunc(words, func(w string) bool { return movedPart(w) && !named(w) }) {
				return true
			}
		}
	}
	return false
}

func otherDevice(w string) bool {
	return slices.Contains([]string{"port", "catheter", "line", "picc", "lead", "pacemaker", "graft", "fistula", "stent", "coil", "valve", "wire", "guidewire", "sheath", "cannula", "shunt", "history", "previous", "former"}, w)
}
