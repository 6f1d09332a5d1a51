package fhir

import (
	"bytes"
	"encoding/json"
)

// RewriteReferences gives raw with the text of every Reference.reference changed for which to gives another one. All other
// bytes stay as they came; where nothing changes raw itself is given back. Raw must have come from Decode.
func RewriteReferences(raw []byte, to func(reference string) (string, bool)) []byte {
	if !bytes.Contains(raw, []byte(`"reference"`)) && !bytes.Contains(raw, []byte(`\u`)) {
		return raw
	}
	w := &rewriter{raw: raw, to: to}
	w.value(0)
	if w.out == nil {
		return raw
	}
	return append(w.out, raw[w.copied:]...)
}

// rewriter copies raw into out up to each changed value.
type rewriter struct {
	raw    []byte
	to     func(string) (string, bool)
	out    []byte
	copied int
}

// value walks the value at at and gives the place after it. Decode has bounded the depth.
func (w *rewriter) value(at int) int {
	at = skipSpace(w.raw, at)
	if at >= len(w.raw) {
		return at
	}
	switch w.raw[at] {
	case '{':
		return w.inside(at, '}', true)
	case '[':
		return w.inside(at, ']', false)
	}
	return valueEnd(w.raw, at)
}

func (w *rewriter) inside(at int, closing byte, named bool) int {
	for at++; at < len(w.raw); at++ {
		at = skipSpace(w.raw, at)
		if at >= len(w.raw) || w.raw[at] == closing {
			return at + 1
		}
		name := ""
		if named {
			end := valueEnd(w.raw, at)
			name = text(w.raw[at:end])
			at = skipSpace(w.raw, end) + 1
		}
		at = skipSpace(w.raw, at)
		end := w.value(at)
		if name == "reference" && end <= len(w.raw) {
			w.reference(at, end)
		}
		at = skipSpace(w.raw, end)
		if at >= len(w.raw) || w.raw[at] != ',' {
			return at + 1
		}
	}
	return at
}

func (w *rewriter) reference(at, end int) {
	old, ok := textOf(w.raw[at:end])
	if !ok {
		return
	}
	changed, ok := w.to(old)
	if !ok {
		return
	}
	quoted, err := json.Marshal(changed)
	if err != nil {
		return
	}
	w.out = append(append(w.out, w.raw[w.copied:at]...), quoted...)
	w.copied = end
}
