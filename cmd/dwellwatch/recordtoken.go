package main

import (
	"context"
	"errors"
	"net/http"
	"slices"
	"strings"
	"time"

	"dwellwatch/fhir/rest"
	"dwellwatch/internal/fault"
)

// smartSettings say how access tokens for the record are got (SMART Backend Services).
type smartSettings struct {
	RecordClientID string   `help:"Our client id at the record's authorization server; in place of a record token (SMART Backend Services)." env:"DWELLWATCH_RECORD_CLIENT_ID" placeholder:"ID"`
	RecordKey      string   `help:"File with our private key, PEM or JWK: RSA (RS384) or EC P-384 (ES384)." env:"DWELLWATCH_RECORD_KEY" placeholder:"FILE"`
	RecordOtherKey string   `help:"File with the key that comes next, or was used before: it is shown at /.well-known/jwks.json and not used." env:"DWELLWATCH_RECORD_OTHER_KEY" placeholder:"FILE"`
	RecordTokenURL string   `help:"Token endpoint. Without it the record names it (.well-known/smart-configuration)." env:"DWELLWATCH_RECORD_TOKEN_URL" placeholder:"URL"`
	RecordScopes   []string `help:"Scopes to ask for, in the words of SMART version 2; a record that does not know them is asked in those of version 1. Default: what is read and written here." env:"DWELLWATCH_RECORD_SCOPES" placeholder:"SCOPE,…" sep:","`
}

// recordScopes are those of what the service reads and writes.
func recordScopes() []string {
	var out []string
	for _, read := range []string{"AllergyIntolerance", "Appointment", "Condition", "Device", "DeviceUseStatement", "DiagnosticReport", "Encounter", "ImagingStudy",
		"Medication", "MedicationAdministration", "MedicationDispense", "MedicationRequest", "MedicationStatement", "Observation", "Patient", "Procedure", "ServiceRequest"} {
		out = append(out, "system/"+read+".rs")
	}
	return append(out, "system/Task.crus", "system/DocumentReference.crus", "system/Provenance.crs")
}

// check refuses settings that would only show their fault when the record is asked.
func (s smartSettings) check(record recordSettings) error {
	if s.RecordClientID == "" {
		if s.RecordKey != "" || s.RecordOtherKey != "" || s.RecordTokenURL != "" {
			return usageError{setting("record-client-id") + ": needed with a key or a token endpoint"}
		}
		return nil
	}
	switch {
	case record.RecordToken != "":
		return usageError{setting("record-client-id") + ": not beside " + setting("record-token")}
	case record.RecordURL == "":
		return usageError{setting("record-client-id") + ": set " + setting("record-url") + " too"}
	case s.RecordKey == "":
		return usageError{setting("record-client-id") + ": set " + setting("record-key") + " too"}
	}
	if s.RecordTokenURL != "" {
		if fault := addressFault(s.RecordTokenURL); fault != "" {
			return usageError{setting("record-token-url") + ": " + fault}
		}
	}
	_, _, err := s.keys()
	return err
}

// keys reads the key that signs and the other one.
func (s smartSettings) keys() (signs, other rest.Key, err error) {
	read := func(option, path string) (rest.Key, error) {
		if path == "" {
			return rest.Key{}, nil
		}
		body, err := readFile(option, path)
		if err != nil {
			return rest.Key{}, err
		}
		k, err := rest.ReadKey(body)
		if err != nil {
			return rest.Key{}, usageError{setting(option) + ": " + err.Error()}
		}
		return k, nil
	}
	if signs, err = read("record-key", s.RecordKey); err != nil {
		return signs, other, err
	}
	if other, err = read("record-other-key", s.RecordOtherKey); err != nil {
		return signs, other, err
	}
	if _, err := rest.PublicSet(signs, other); err != nil {
		return signs, other, usageError{setting("record-other-key") + ": it has the kid of the other key"}
	}
	return signs, other, nil
}

// publicKeys gives what the record may read of our keys; nil where there are none.
func (p *program) publicKeys() ([]byte, error) {
	signs, other, err := p.smartSettings.keys()
	if err != nil || !signs.Set() {
		return nil, err
	}
	return rest.PublicSet(signs, other)
}

// tokens gives the source of access tokens; nil where a fixed token or none is used.
func (p *program) tokens() (*rest.Tokens, error) {
	if p.RecordClientID == "" {
		return nil, nil
	}
	key, _, err := p.smartSettings.keys()
	if err != nil {
		return nil, err
	}
	scopes := p.RecordScopes
	if len(scopes) == 0 {
		scopes = recordScopes()
	}
	address := ""
	if p.PublicURL != "" {
		address = strings.TrimSuffix(p.PublicURL, "/") + "/.well-known/jwks.json"
	}
	narrowed := []string{}
	return rest.NewTokens(rest.TokenConfig{Base: p.RecordURL, Endpoint: p.RecordTokenURL, ClientID: p.RecordClientID, Key: key, KeyAddress: address,
		Scopes: scopes, Timeout: min(p.RecordTimeout, 30*time.Second), Now: p.now,
		Note: func(missing []string, err error) {
			p.reach.tokenAsked(err)
			if err == nil && !slices.Equal(missing, narrowed) {
				narrowed = missing
				if len(missing) > 0 {
					p.log.Warn("the record grants less than was asked for; what needs it will be refused", "scopes", strings.Join(missing, " "))
				}
			}
		}})
}

// tokenAsked notes what came of asking for an access token.
func (r *reach) tokenAsked(err error) {
	switch {
	case errors.Is(err, fault.Refused):
		r.mu.Lock()
		defer r.mu.Unlock()
		r.tried, r.up = true, true
		r.refuseAs(context.Background(), r.now(), "the record gives us no access token; what is to be read or written waits", http.StatusUnauthorized, "record-client-id")
	case err != nil:
		r.away(context.Background(), "no access token: the authorization server does not answer")
	}
}
