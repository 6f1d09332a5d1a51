package sandbox

import (
	"encoding/json"
	"net/http"
	"time"
)

// metadata answers with the CapabilityStatement: what the sandbox does and nothing more.
func (r *Record) metadata(c *call) error {
	param := func(name, kind string) map[string]any { return map[string]any{"name": name, "type": kind} }
	var resources []any
	for _, typ := range types() {
		params := []any{param("_id", "token"), param("identifier", "token"), param("status", "token")}
		path, subject := patientPath(typ)
		if path != "" {
			params = append(params, param("patient", "reference"))
		}
		if subject {
			params = append(params, param("subject", "reference"))
		}
		if typ == "Provenance" {
			params = append(params, param("target", "reference"))
		}
		resources = append(resources, map[string]any{"type": typ, "interaction": codes("read", "create", "update", "delete", "search-type"),
			"versioning": "versioned-update", "updateCreate": true, "conditionalCreate": true, "searchParam": params})
	}
	body, err := json.Marshal(map[string]any{"resourceType": "CapabilityStatement", "status": "active", "kind": "instance",
		"date": r.now().Format(time.DateOnly), "fhirVersion": "4.0.1", "format": []string{"json"},
		"software":       map[string]any{"name": "dwellwatch sandbox"},
		"implementation": map[string]any{"description": "Invented hospital record for the demonstration", "url": c.base},
		"rest":           []any{map[string]any{"mode": "server", "resource": resources, "interaction": codes("transaction")}}})
	if err != nil {
		return err
	}
	c.send(http.StatusOK, body)
	return nil
}

func codes(all ...string) []any {
	var out []any
	for _, c := range all {
		out = append(out, map[string]any{"code": c})
	}
	return out
}
