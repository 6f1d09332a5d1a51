package main

import (
	"context"
	"log/slog"
	"slices"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"dwellwatch/internal/jobs"
	"dwellwatch/internal/postgres"
	"dwellwatch/internal/writeback"
)

// gaugeTimeout bounds what one look at the metrics may ask of the database.
const gaugeTimeout = 5 * time.Second

// otherLabel stands for every word that is not one of ours, so that the sets of labels stay closed.
const otherLabel = "other"

// gauges are the metrics that are read when somebody looks: what waits, for whom, and whether the record answers. Labels
// are words of ours, never an id.
type gauges struct {
	read  func(context.Context) (postgres.Gauges, error)
	reach *reach // nil where no record is configured
	log   *slog.Logger

	database, waiting, oldest, pulls, oldestPull, attention, queue, quarantine, up, refused, since *prometheus.Desc
}

func newGauges(read func(context.Context) (postgres.Gauges, error), r *reach, log *slog.Logger) *gauges {
	desc := func(name, help string, labels ...string) *prometheus.Desc {
		return prometheus.NewDesc("dwellwatch_"+name, help, labels, nil)
	}
	return &gauges{read: read, reach: r, log: log,
		database:   desc("database_up", "1 if the database could be read for this look, else 0; then the counts from it are missing."),
		waiting:    desc("referrals_waiting", "Referrals whose newest state is not in the record yet, by what is to be done there.", "change"),
		oldest:     desc("writeback_oldest_waiting_seconds", "How long the longest waiting referral has waited to be written; 0 where none waits."),
		pulls:      desc("pulls_waiting", "Followed persons whose context is still to be read from the record; no referral is drafted for them before it was."),
		oldestPull: desc("pulls_oldest_waiting_seconds", "How long the longest waiting of these has waited; 0 where none waits."),
		attention:  desc("referrals_attention", "Referrals that a person must look at, by reason.", "code"),
		queue:      desc("queue_jobs", "Jobs in the queue, by kind and state; discarded ones were given up.", "kind", "state"),
		quarantine: desc("quarantine_entries", "Payloads kept aside because they could not be read."),
		up:         desc("record_up", "1 if the last request to the record was answered, else 0; missing before the first."),
		refused:    desc("record_unauthorised", "1 if the record does not accept our token, else 0; missing before the first request."),
		since:      desc("record_since_answer_seconds", "Time since the record's last good answer; missing before the first."),
	}
}

// Describe names all metrics.
func (g *gauges) Describe(ch chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{g.database, g.waiting, g.oldest, g.pulls, g.oldestPull, g.attention, g.queue, g.quarantine, g.up, g.refused, g.since} {
		ch <- d
	}
}

// Collect reads all metrics. A database that does not answer takes its own counts away and no other metric.
func (g *gauges) Collect(ch chan<- prometheus.Metric) {
	send := func(d *prometheus.Desc, v float64, labels ...string) {
		ch <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v, labels...)
	}
	if g.reach != nil {
		now := g.reach.state()
		if now.Tried {
			send(g.up, oneIf(now.Up))
			send(g.refused, oneIf(now.Refused))
		}
		if now.Ever {
			send(g.since, now.Since.Seconds())
		}
	}
	ctx, cancel := context.WithTimeout(context.Background(), gaugeTimeout)
	defer cancel()
	now, err := g.read(ctx)
	send(g.database, oneIf(err == nil))
	if err != nil {
		g.log.Warn("the metrics lack the counts of the database", "error", err)
		return
	}
	send(g.waiting, float64(now.ToOpen), "open")
	send(g.waiting, float64(now.ToClose), "close")
	send(g.oldest, now.OldestWaiting.Seconds())
	send(g.pulls, float64(now.Pulls))
	send(g.oldestPull, now.OldestPull.Seconds())
	send(g.quarantine, float64(now.Quarantine))
	for code, n := range byCode(now.Attention) {
		send(g.attention, float64(n), code)
	}
	for kind, states := range byKind(now.Queue) {
		for state, n := range states {
			send(g.queue, float64(n), kind, state)
		}
	}
}

func oneIf(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

// byCode counts per code of ours, 0 included, so that a series does not come and go.
func byCode(found map[string]int) map[string]int {
	out := map[string]int{otherLabel: 0}
	for _, code := range writeback.AttentionCodes() {
		out[code] = 0
	}
	for code, n := range found {
		if _, known := out[code]; !known {
			code = otherLabel
		}
		out[code] += n
	}
	return out
}

// byKind counts per kind of job and state, 0 included.
func byKind(found []postgres.QueueCount) map[string]map[string]int {
	kinds := []string{jobs.AssessPatient{}.Kind(), jobs.WriteBack{}.Kind(), jobs.PullContext{}.Kind(), jobs.ErasePerson{}.Kind(), jobs.DailySweep{}.Kind()}
	out := map[string]map[string]int{}
	for _, kind := range append(kinds, otherLabel) {
		out[kind] = map[string]int{}
		for _, state := range postgres.QueueStates() {
			out[kind][state] = 0
		}
	}
	for _, c := range found {
		kind := c.Kind
		if !slices.Contains(kinds, kind) {
			kind = otherLabel
		}
		out[kind][c.State] += c.Number
	}
	return out
}
