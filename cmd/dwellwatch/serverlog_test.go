package main

import (
	"bytes"
	"log/slog"
	"strings"
	"sync/atomic"
	"testing"
)

// TestServerLogOfAStop: the lines of connections that end with the cluster are no warnings; everything else is told as ever.
func TestServerLogOfAStop(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		stopping     bool
		level, shown slog.Level
		want         string // the level told; "" for no line
	}{
		"while it runs":            {false, slog.LevelWarn, slog.LevelInfo, "WARN"},
		"while it stops":           {true, slog.LevelWarn, slog.LevelInfo, ""},
		"while it stops, debug":    {true, slog.LevelWarn, slog.LevelDebug, "DEBUG"},
		"a server that breaks":     {true, slog.LevelError, slog.LevelInfo, "ERROR"},
		"what it says in between":  {true, slog.LevelDebug, slog.LevelDebug, "DEBUG"},
		"what it says, not wanted": {true, slog.LevelDebug, slog.LevelInfo, ""},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			var out bytes.Buffer
			l := &serverLog{slog.NewTextHandler(&out, &slog.HandlerOptions{Level: c.shown}), new(atomic.Bool)}
			log := slog.New(l).With("part", "postgres")
			l.stopping.Store(c.stopping)
			log.Log(t.Context(), c.level, "postgres", "line", "FATAL:  terminating connection due to administrator command")
			if c.want == "" && out.Len() > 0 || c.want != "" && !strings.Contains(out.String(), "level="+c.want+" ") {
				t.Errorf("log %q, want level %q", out.String(), c.want)
			}
		})
	}
}
