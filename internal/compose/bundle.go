package compose

import (
	"encoding/json"
	"time"

	"github.com/google/uuid"
)

type bundle struct {
	ResourceType string  `json:"resourceType"`
	Type         string  `json:"type"`
	Entry        []entry `json:"entry"`
}

type entry struct {
	FullURL  string          `json:"fullUrl"`
	Resource json.RawMessage `json:"resource"`
	Request  entryRequest    `json:"request"`
}

type entryRequest struct {
	Method      string `json:"method"`
	URL         string `json:"url"`
	IfNoneExist string `json:"ifNoneExist,omitempty"`
}

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
	return json.Marshal(bundle{"Bundle", "transaction", []entry{
		EntryDocument: {docURN, document, entryRequest{"POST", "DocumentReference", IfNoneExist(DocumentSystem, docInstance)}},
		EntryTask:     {taskURN, task, entryRequest{"POST", "Task", IfNoneExist(TaskSystem, taskInstance)}},
		EntryProvenance: {provenanceURN, provenance,
			entryRequest{"POST", "Provenance", ""}},
	}})
}
