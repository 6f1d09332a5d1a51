package worker

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"strings"
	"testing"

	"github.com/riverqueue/river/rivertype"

	"dwellwatch/internal/fault"
)

// errToken stands for the record's answer to a token that it does not accept.
var errToken = errors.New("401")

func TestFailuresAreLoggedAsTheyDeserve(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		attempt int
		err     error
		want    string // the level; "" for no line
	}{
		"a record that is away":               {1, fmt.Errorf("search: %w", fault.Unavailable), ""},
		"a token that is refused":             {1, fmt.Errorf("read a Patient: %w", errToken), ""},
		"given up for a refused token":        {25, fmt.Errorf("read a Patient: %w", errToken), "ERROR"},
		"the service stops":                   {1, context.Canceled, ""},
		"anything else":                       {1, errors.New("cannot compose"), "WARN"},
		"given up":                            {25, errors.New("cannot compose"), "ERROR"},
		"given up because the record is away": {25, fmt.Errorf("search: %w", fault.Unavailable), "ERROR"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			var out bytes.Buffer
			f := failures{slog.New(slog.NewTextHandler(&out, nil)), func(err error) bool { return errors.Is(err, errToken) }}
			if r := f.HandleError(t.Context(), &rivertype.JobRow{ID: 7, Kind: "write_back", Attempt: c.attempt, MaxAttempts: 25}, c.err); r != nil {
				t.Errorf("the retry was changed: %+v", r)
			}
			if c.want == "" && out.Len() > 0 || c.want != "" && !strings.Contains(out.String(), "level="+c.want+" ") {
				t.Errorf("log %q, want level %q", out.String(), c.want)
			}
		})
	}
}

func TestPanicsAreLoggedWithoutTheirValue(t *testing.T) {
	t.Parallel()
	var out bytes.Buffer
	f := failures{log: slog.New(slog.NewTextHandler(&out, nil))}
	f.HandlePanic(t.Context(), &rivertype.JobRow{ID: 7, Kind: "assess_patient", Attempt: 1, MaxAttempts: 25}, "Patient/secret", "trace of secret")
	if got := out.String(); !strings.Contains(got, "level=ERROR") || strings.Contains(got, "secret") {
		t.Errorf("log %q", got)
	}
}
