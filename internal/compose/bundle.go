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
)

// TransactionBundle makes document, Task and Provenance one transaction in which each of the first two is created only
// where its instance does not exist yet.
func TransactionBundle(d Document, s Site, now time.Time, pdf []byte, replaces string) ([]byte, error) {
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
	return samply.Bundle{Type: samply.BundleTypeTransaction, Entry: []samply.BundleEntry{
		EntryDocument:   create("DocumentReference", docURN, document, IfNoneExist(DocumentSystem, docInstance)),
		EntryTask:       create("Task", taskURN, task, IfNoneExist(TaskSystem, taskInstance)),
		EntryProvenance: create("Provenance", provenanceURN, provenance, ""),
	}}.MarshalJSON()
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
