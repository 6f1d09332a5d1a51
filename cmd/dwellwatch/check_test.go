package main

import (
	"testing"
	"time"
)

// TestSoundSettingsAreTaken: what the checks must not refuse.
func TestSoundSettingsAreTaken(t *testing.T) {
	t.Parallel()
	for _, owner := range []string{"Organization/ir", "PractitionerRole/coord", "Practitioner/p-1", "CareTeam/c", "HealthcareService/h.2", ""} {
		s := recordSettings{RecordURL: "https://record.example.org/fhir/", RecordTimeout: time.Second, ClinicOwner: owner, CoordinatorOwner: owner, Custodian: "Organization/hospital"}
		if err := s.check(); err != nil {
			t.Errorf("owner %q: %v", owner, err)
		}
	}
	for _, base := range []string{"https://lab.example.org/fhir", "http://127.0.0.1:8080", "http://[::1]:8080/a/b/"} {
		s := listenSettings{Listen: "127.0.0.1:0", Feeds: feedMap{"lab": base}, PublicURL: base, BodyLimit: 1, Workers: 1, RescueAfter: 5 * time.Second}
		if err := s.check(); err != nil {
			t.Errorf("base %s: %v", base, err)
		}
		if err := s.checkListen(false); err != nil {
			t.Error(err)
		}
	}
}
