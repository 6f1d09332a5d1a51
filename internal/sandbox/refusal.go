package sandbox

import (
	"encoding/json"
	"errors"
	"net/http"
)

// refusal is an error that the sender is told as an OperationOutcome. Its text never holds patient data.
type refusal struct {
	status int
	code   string // http://hl7.org/fhir/issue-type
	text   string
}

func refuse(status int, code, text string) error { return &refusal{status, code, text} }

func (r *refusal) Error() string { return r.text }

// asRefusal gives the status and OperationOutcome for err.
func asRefusal(err error) (int, []byte) {
	var r *refusal
	if !errors.As(err, &r) {
		r = &refusal{http.StatusInternalServerError, "exception", "the sandbox failed"}
	}
	body, _ := json.Marshal(map[string]any{"resourceType": "OperationOutcome",
		"issue": []any{map[string]any{"severity": "error", "code": r.code, "diagnostics": r.text}}})
	return r.status, body
}
