package main

import (
	"context"
	"log/slog"
	"sync/atomic"
)

// serverLog passes on what the private PostgreSQL says. While we stop it, the connections that it ends are ours and on their
// way out: what would be a warning at any other time is then for debugging only.
type serverLog struct {
	slog.Handler
	stopping *atomic.Bool
}

// Handle lowers the warnings of a stop; what is worse stays as it is.
func (l *serverLog) Handle(ctx context.Context, r slog.Record) error {
	if !l.stopping.Load() || r.Level != slog.LevelWarn {
		return l.Handler.Handle(ctx, r)
	}
	if !l.Enabled(ctx, slog.LevelDebug) {
		return nil
	}
	r.Level = slog.LevelDebug
	return l.Handler.Handle(ctx, r)
}

// WithAttrs keeps watching.
func (l *serverLog) WithAttrs(attrs []slog.Attr) slog.Handler {
	return &serverLog{l.Handler.WithAttrs(attrs), l.stopping}
}

// WithGroup keeps watching.
func (l *serverLog) WithGroup(name string) slog.Handler {
	return &serverLog{l.Handler.WithGroup(name), l.stopping}
}
