package compose

import (
	"time"

	"github.com/google/uuid"
	samply "github.com/samply/golang-fhir-models/fhir-models/fhir"
)

// The order of the entries of TransactionBundle.
const (
	EntryDocument = iota
	EntryTask
	EntryProvenance
	EntryProposal // only where the Task is the order of an approved proposal
)

// Approval is the proposal that an order takes the place of, as the record holds it.
type Approval struct {
	ID, ETag string
	Closed   []byte // the Task with its end
}

// TransactionBundle makes document, Task and Provenance one transaction in which each of the first two is created only
// where its instance does not exist yet. approval is nil unless the same write ends an approved proposal.
func TransactionBundle(d Document, s Site, now time.Time, pdf []byte, replaces string, approval *Approval) ([]byte, error) {
	docInstance, err := s.DocumentInstance(d.Referral)
	if err != nil {
		return nil, err
	}
	taskInstance, err := s.TaskInstance(d.Referral)
	if err != nil {
		return nil, err
	}
	docURN, taskURN := "urn:uuid:"+docInstance, "urn:uuid:"+taskInstance
	provenanceURN := "urn:uuid:" + uuid.NewSHA1(uuid.MustParse(docInstance), []byte("provenance")).String()
	document, err := DocumentReference(d, s, now, pdf, replaces)
	if err != nil {
		return nil, err
	}
	task, err := Task(d, s, now, docURN)
	if err != nil {
		return nil, err
	}
	provenance, err := Provenance(d, s, now, []string{docURN, taskURN})
	if err != nil {
		return nil, err
	}
	entries := []samply.BundleEntry{
		EntryDocument:   create("DocumentReference", docURN, document, IfNoneExist(DocumentSystem, docInstance)),
		EntryTask:       create("Task", taskURN, task, IfNoneExist(TaskSystem, taskInstance)),
		EntryProvenance: create("Provenance", provenanceURN, provenance, ""),
	}
	if approval != nil {
		entries = append(entries, samply.BundleEntry{Resource: approval.Closed,
			Request: &samply.BundleEntryRequest{Method: samply.HTTPVerbPUT, Url: "Task/" + approval.ID, IfMatch: &approval.ETag}})
	}
	return samply.Bundle{Type: samply.BundleTypeTransaction, Entry: entries}.MarshalJSON()
}

// create is one entry that creates a resource, only where the search finds none unless it is "". Resources go in as bytes,
// because samply's structs cannot hold what is contained in them.
func create(kind, urn string, resource []byte, ifNoneExist string) samply.BundleEntry {
	request := &samply.BundleEntryRequest{Method: samply.HTTPVerbPOST, Url: kind}
	if ifNoneExist != "" {
		request.IfNoneExist = &ifNoneExist
	}
	return samply.BundleEntry{FullUrl: &urn, Resource: resource, Request: request}
}
