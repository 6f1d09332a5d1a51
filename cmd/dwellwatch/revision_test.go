package main

import (
	"bytes"
	"encoding/base64"
	"os/exec"
	"strings"
	"testing"

	"github.com/tidwall/gjson"
)

// written gives the text of the PDF that a DocumentReference holds, without spaces.
func written(t *testing.T, document gjson.Result) string {
	t.Helper()
	pdf, err := base64.StdEncoding.DecodeString(document.Get("content.0.attachment.data").String())
	if err != nil {
		t.Fatal(err)
	}
	return strings.Join(strings.Fields(plain(t, pdf)), "")
}

// plain gives the text of a PDF; a form feed ends each page.
func plain(t *testing.T, pdf []byte) string {
	t.Helper()
	read := exec.Command("pdftotext", "-raw", "-", "-")
	read.Stdin = bytes.NewReader(pdf)
	out, err := read.Output()
	if err != nil {
		t.Fatalf("pdftotext (package poppler-utils): %v", err)
	}
	return string(out)
}

// TestANewVersionSaysWhatChanged: a complication comes after the document was written. The version that replaces it says on top what
// is different, the first one says nothing of the kind, and a value that changes nothing makes no third.
func TestANewVersionSaysWhatChanged(t *testing.T) {
	t.Parallel()
	h := open(t)
	h.settled(t, "ab-10")
	first := gjson.ParseBytes(h.ours(t, "DocumentReference")[0])
	if got := written(t, first); strings.Contains(got, "Changedsince") {
		t.Error("the first version tells of a change")
	}
	h.tell(t, "/Condition/ab-10-moved", `{"resourceType":"Condition","id":"ab-10-moved","clinicalStatus":{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/condition-clinical","code":"active"}]},"code":{"coding":[{"system":"http://hl7.org/fhir/sid/icd-10-cm","code":"T82.525A"}]},"subject":{"reference":"Patient/ab-10"},"onsetDateTime":"2026-02-25"}`)
	h.tell(t, "/Observation/ab-10-hb", observation("ab-10"))
	documents := h.ours(t, "DocumentReference")
	if len(documents) != 2 {
		t.Fatalf("%d documents, want 2", len(documents))
	}
	for _, raw := range documents {
		d := gjson.ParseBytes(raw)
		if d.Get("status").String() != "current" {
			continue
		}
		if got := d.Get("relatesTo.0.target.reference").String(); got != "DocumentReference/"+first.Get("id").String() {
			t.Errorf("it replaces %q", got)
		}
		got, at := written(t, d), 0
		for _, want := range []string{"Changedsincetheversionof", "(round1,revision1)", "Verdict:Urgent(before:Referforretrieval)", "Priority:urgent(before:assoonaspossible)", "Linden"} {
			i := strings.Index(got[at:], want)
			if i < 0 {
				t.Fatalf("%q does not follow on top", want)
			}
			at += i
		}
	}
}
