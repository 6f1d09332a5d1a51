package assess

import (
	"testing"

	"github.com/google/uuid"
	"pgregory.net/rapid"
)

// TestMintIsUUIDv5: keys are what github.com/google/uuid computes by RFC 4122 section 4.3.
func TestMintIsUUIDv5(t *testing.T) {
	t.Parallel()
	space := uuid.NewSHA1(uuid.NameSpaceURL, []byte("urn:dwellwatch:filter"))
	rapid.Check(t, func(t *rapid.T) {
		person, first := rapid.String().Draw(t, "person"), rapid.StringMatching(`(Device|Procedure)/[A-Za-z0-9.-]{1,64}`).Draw(t, "first")
		if got, want := mint(person, first), uuid.NewSHA1(space, []byte(person+"|"+first)).String(); got != want {
			t.Fatalf("got %s, want %s", got, want)
		}
	})
}
