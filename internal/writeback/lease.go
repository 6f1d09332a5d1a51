package writeback

import (
	"context"
	"fmt"
	"time"
)

// saveTimeout bounds what must reach the database even when the work is being stopped.
const saveTimeout = 5 * time.Second

// lease is the right to write one filter's referral. It outlasts any request sent under it, so whoever gets it next finds
// the record as those requests left it.
type lease struct {
	c           *Converger
	key, holder string
	until       time.Time
	keep        bool // a request may still be on its way: let the lease run out
}

func (l *lease) length() time.Duration { return l.c.cfg.Timeout + l.c.cfg.Margin }

func (l *lease) take(ctx context.Context) error {
	now := l.c.cfg.Now() // before the question: what is ours for so long from the answer on is ours for so long from here
	got, err := l.c.cfg.Store.Lease(ctx, l.key, l.holder, l.length())
	if err != nil {
		return fmt.Errorf("lease: %w", err)
	}
	if !got {
		return &Later{jitter(time.Second, 3*time.Second), ErrBusy}
	}
	l.until = now.Add(l.length())
	return nil
}

// renew makes the lease outlast the write that is about to be sent. errMoved says that others may have written since the
// record was read.
func (l *lease) renew(ctx context.Context) error {
	lapsed := !l.c.cfg.Now().Before(l.until)
	if err := l.take(ctx); err != nil {
		return err
	}
	if lapsed {
		return errMoved
	}
	return nil
}

// release gives the lease back even when ctx has ended; where that fails, it runs out by itself.
func (l *lease) release(ctx context.Context) {
	if l.keep {
		return
	}
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), saveTimeout)
	defer cancel()
	_ = l.c.cfg.Store.Release(ctx, l.key, l.holder)
}
