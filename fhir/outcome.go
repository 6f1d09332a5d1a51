package fhir

import "encoding/json"

// operationOutcome is written with our own structs: samply's would add empty members. No member is null or empty.
// http://hl7.org/fhir/R4/operationoutcome.html
type operationOutcome struct {
	ResourceType string         `json:"resourceType"`
	Issue        []outcomeIssue `json:"issue"`
}

type outcomeIssue struct {
	Severity   string          `json:"severity"`
	Code       string          `json:"code"`
	Details    *outcomeDetails `json:"details,omitempty"`
	Expression []string        `json:"expression,omitempty"`
}

type outcomeDetails struct {
	Text string `json:"text"`
}

// Outcome writes an OperationOutcome, issues in order. An OperationOutcome needs one issue, so none given says that
// all is well.
func Outcome(issues ...Issue) []byte {
	if len(issues) == 0 {
		issues = []Issue{{Severity: "information", Code: "informational", Text: "All is well."}}
	}
	o := operationOutcome{ResourceType: "OperationOutcome"}
	for _, i := range issues {
		out := outcomeIssue{Severity: i.Severity, Code: i.Code}
		if i.Text != "" {
			out.Details = &outcomeDetails{i.Text}
		}
		if i.Expression != "" {
			out.Expression = []string{i.Expression}
		}
		o.Issue = append(o.Issue, out)
	}
	// Strings and slices of strings cannot fail to marshal.
	body, _ := json.Marshal(o)
	return body
}
