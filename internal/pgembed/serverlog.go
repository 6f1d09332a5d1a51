package pgembed

import (
	"bytes"
	"context"
	"log/slog"
	"strings"
	"sync"
)

// tailLines is how many of the server's last lines an error shows.
const tailLines = 6

// serverLog takes the server's output line by line: to the logger, and the last
// ones for an error text.
type serverLog struct {
	log *slog.Logger

	mu      sync.Mutex
	partial []byte
	last    []string
}

// Write never fails. The server must not stall on its log.
func (l *serverLog) Write(b []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.partial = append(l.partial, b...)
	for {
		end := bytes.IndexByte(l.partial, '\n')
		if end < 0 {
			return len(b), nil
		}
		line := strings.TrimSpace(string(l.partial[:end]))
		l.partial = l.partial[end+1:]
		if line == "" {
			continue
		}
		l.log.Log(context.Background(), level(line), "postgres", "line", line)
		l.last = append(l.last, line)
		if len(l.last) > tailLines {
			l.last = l.last[1:]
		}
	}
}

// tail returns the last lines as one.
func (l *serverLog) tail() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return strings.Join(l.last, "; ")
}

// level ranks a line. FATAL ends one connection only, PANIC the server.
func level(line string) slog.Level {
	switch {
	case strings.HasPrefix(line, "PANIC"):
		return slog.LevelError
	case strings.HasPrefix(line, "FATAL"):
		return slog.LevelWarn
	}
	return slog.LevelDebug
}
