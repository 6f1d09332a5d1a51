package worklist

import (
	"errors"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"

	"dwellwatch/internal/desk"

	"github.com/gin-gonic/gin"
)

// TestAReasonIsCountedInLetters: as many letters as a browser lets people type are taken, whatever their bytes are, and no more.
func TestAReasonIsCountedInLetters(t *testing.T) {
	t.Parallel()
	for name, x := range map[string]struct {
		why  string
		long bool
	}{
		"1,100 of two bytes":   {strings.Repeat("ä", 1100), false},
		"2,000 of three bytes": {strings.Repeat("心", 2000), false},
		"2,001 of one byte":    {strings.Repeat("a", 2001), true},
		"2,001 of two bytes":   {strings.Repeat("ä", 2001), true},
		"1,000 lines":          {strings.Repeat("a\r\n", 1000), false},
		"1,001 lines":          {strings.Repeat("a\r\n", 1001), true},
	} {
		c, _ := gin.CreateTestContext(httptest.NewRecorder())
		c.Request = httptest.NewRequest(http.MethodPost, "/", strings.NewReader(url.Values{"token": {strings.Repeat("a", 32)}, "why": {x.why}}.Encode()))
		c.Request.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		f, err := (&Pages{}).form(c, "contact")
		var refused *desk.Refused
		if long := errors.As(err, &refused) && strings.Contains(refused.Why[0], "at most 2000 letters"); long != x.long || err != nil && !long || f.Why != x.why {
			t.Errorf("%s: refused as too long: %t, %v", name, long, err)
		}
	}
}
