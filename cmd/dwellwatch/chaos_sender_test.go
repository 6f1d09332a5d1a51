package main

import (
	"bytes"
	"context"
	"io"
	"math/rand/v2"
	"net/http"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/tidwall/gjson"

	"dwellwatch/internal/chart"
)

const senders = 3

// sender delivers what the ward tells, each until it is acknowledged, and remembers what was.
type sender struct {
	t       *testing.T
	doors   []*child
	client  *http.Client
	work    chan telling
	running sync.WaitGroup
	pending sync.WaitGroup // deliveries not acknowledged yet

	mu          sync.Mutex
	turn        int
	delivered   int // acknowledged deliveries
	repeats     int // tries that were not acknowledged
	unavailable int // of these, answered by 503
	echoes      int
	kept        map[string]map[string]bool // path to stamps that the service said it keeps
}

// startSender begins to send what is released, and tells the service of its own writes as a subscription would.
func startSender(t *testing.T, record string, doors ...*child) *sender {
	ctx, cancel := context.WithCancel(t.Context())
	s := &sender{t: t, doors: doors, client: &http.Client{Timeout: 15 * time.Second}, work: make(chan telling, 1<<16), kept: map[string]map[string]bool{}}
	for range senders {
		s.running.Go(func() {
			for {
				select {
				case d := <-s.work:
					s.deliver(ctx, d)
					s.pending.Done()
					time.Sleep(rand.N(120 * time.Millisecond))
				case <-ctx.Done():
					return
				}
			}
		})
	}
	s.running.Go(func() { s.echo(ctx, record) })
	t.Cleanup(func() {
		cancel()
		s.running.Wait()
		s.client.CloseIdleConnections()
	})
	return s
}

// release hands tellings to the senders.
func (s *sender) release(list []telling) {
	s.pending.Add(len(list))
	for _, d := range list {
		s.work <- d
	}
}

// finish waits until everything released is acknowledged.
func (s *sender) finish() { s.pending.Wait() }

// deliver sends until a 2xx comes back. Any other refusal than 5xx fails the test.
func (s *sender) deliver(ctx context.Context, d telling) {
	for ctx.Err() == nil {
		status, location := s.try(ctx, d)
		s.mu.Lock()
		switch {
		case status/100 == 2:
			s.delivered++
			if location != "" {
				if s.kept[d.path] == nil {
					s.kept[d.path] = map[string]bool{}
				}
				s.kept[d.path][d.stamp()] = true
			}
			s.mu.Unlock()
			return
		case status == http.StatusServiceUnavailable:
			s.unavailable++
		}
		s.repeats++
		s.mu.Unlock()
		if status != 0 && status/100 != 5 {
			s.t.Errorf("%s was answered %d", d.path, status)
			return
		}
		time.Sleep(30 * time.Millisecond)
	}
}

// try sends once; status 0 stands for no answer.
func (s *sender) try(ctx context.Context, d telling) (status int, location string) {
	s.mu.Lock()
	s.turn++
	door := s.doors[s.turn%len(s.doors)].door()
	s.mu.Unlock()
	if door == "" {
		return 0, ""
	}
	method := http.MethodPut
	if d.body == nil {
		method = http.MethodDelete
	}
	req, err := http.NewRequestWithContext(ctx, method, "http://"+door+"/fhir/"+d.path, bytes.NewReader(d.body))
	if err != nil {
		s.t.Error(err)
		return 0, ""
	}
	req.Header.Set("Content-Type", "application/fhir+json")
	resp, err := s.client.Do(req)
	if err != nil {
		return 0, ""
	}
	defer resp.Body.Close()
	if _, err := io.Copy(io.Discard, resp.Body); err != nil {
		return 0, "" // cut off: whether it was taken is not known
	}
	return resp.StatusCode, resp.Header.Get("Location")
}

// echo brings our own Tasks back as the record has them.
func (s *sender) echo(ctx context.Context, record string) {
	seen := map[string]string{}
	for ctx.Err() == nil {
		for _, raw := range s.tasks(ctx, record) {
			id, version := raw.Get("id").String(), raw.Get("meta.versionId").String()
			if seen[id] == version || !strings.Contains(raw.Raw, chart.SeriesSystem) {
				continue
			}
			seen[id] = version
			s.deliver(ctx, telling{path: "Task/" + id, body: []byte(raw.Raw)})
			s.mu.Lock()
			s.echoes++
			s.delivered--
			s.mu.Unlock()
		}
		select {
		case <-ctx.Done():
		case <-time.After(400 * time.Millisecond):
		}
	}
}

func (s *sender) tasks(ctx context.Context, record string) []gjson.Result {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, record+"/Task?_count=1000", nil)
	if err != nil {
		return nil
	}
	resp, err := s.client.Do(req)
	if err != nil {
		return nil
	}
	defer resp.Body.Close()
	body, err := io.ReadAll(resp.Body)
	if err != nil {
		return nil
	}
	return gjson.GetBytes(body, "entry.#.resource").Array()
}
