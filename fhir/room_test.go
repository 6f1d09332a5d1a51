package fhir

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// TestRoomDecodesAsWithout: one Room for many documents, good and bad, long and short, gives each what it is without.
func TestRoomDecodesAsWithout(t *testing.T) {
	t.Parallel()
	entry := `{"fullUrl":"urn:uuid:1","resource":{"resourceType":"Device","id":"a","meta":{"versionId":"3","lastUpdated":"2026-03-01T10:00:00Z"}}}`
	bundle := func(entries string) string {
		return `{"resourceType":"Bundle","type":"collection","entry":[` + entries + `]}`
	}
	var room Room
	var ids []string
	for _, body := range []string{
		bundle(strings.Repeat(entry+",", 20) + entry), bundle(""), "", `{"resourceType":"Device","id":"b"}`, bundle(entry + `,7,{"resource":{"resourceType":"Device","id":"a b"}}`),
		`{"resourceType":"Bundle","type":"none"}`, `{"resourceType":"Device","id":"c"} {}`, bundle(`{"request":{"method":"DELETE","url":"Device/a"}}`), bundle(`{}`), bundle(entry + "," + entry),
		`{"resourceType":"Device","resourceType":"Device"}`,
	} {
		wantResource, wantBundle, wantErr := DecodeWhole([]byte(body))
		gotResource, gotBundle, gotErr := room.DecodeWhole([]byte(body))
		if diff := cmp.Diff(wantResource, gotResource); diff != "" {
			t.Errorf("%.80s (-without +in a room):\n%s", body, diff)
		}
		if diff := cmp.Diff(wantBundle, gotBundle); diff != "" {
			t.Errorf("%.80s (-without +in a room):\n%s", body, diff)
		}
		if diff := cmp.Diff(wantErr, gotErr); diff != "" {
			t.Errorf("%.80s (-without +in a room):\n%s", body, diff)
		}
		for _, e := range gotBundle.Entries {
			ids = append(ids, e.Resource.ID+e.Resource.VersionID)
		}
	}
	if got, want := strings.Join(ids[:21], ""), strings.Repeat("a3", 21); got != want {
		t.Errorf("texts of the first document became %s", got)
	}
}
