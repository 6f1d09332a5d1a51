package main

import (
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"dwellwatch/internal/assess"
	"dwellwatch/internal/dbtest"
	"dwellwatch/internal/filter"
	"dwellwatch/internal/peertest"
	"dwellwatch/internal/pgembed"
)

// TestChaos runs the program as it ships beside a FHIR server that others wrote, on a real PostgreSQL, and kills what can
// be killed while deliveries go on. Whatever happened, at rest nothing acknowledged is missing and nothing is there twice.
// The short form always runs; DWELLWATCH_CHAOS=long (make chaos) runs the long one. DWELLWATCH_CHAOS_SEED makes the same
// patients and the same order of deliveries again; what is killed when still differs.
func TestChaos(t *testing.T) {
	t.Parallel()
	binary := buildProgram(t)
	var all sync.WaitGroup
	for _, scenario := range []struct {
		name string
		run  func(t *testing.T, c *chaos)
	}{
		{"the service is killed", killed},
		{"PostgreSQL crashes", crashed},
		{"two replicas", replicas},
		{"the database is lost", restored},
	} {
		run := func() {
			t.Run(scenario.name, func(t *testing.T) { scenario.run(t, newChaos(t, binary)) })
		}
		if longForm() {
			run()
			continue
		}
		all.Go(run) // most of their time is waiting, for leases and for killed jobs to be taken up
	}
	all.Wait()
}

func longForm() bool { return os.Getenv("DWELLWATCH_CHAOS") == "long" }

// chaos is one scenario: the record, the proxy before it, and what was counted.
type chaos struct {
	binary, zone string
	long         bool
	basis        assess.Basis
	rng          *rand.Rand
	seed         uint64
	peer         *peertest.Peer
	between      *between

	// habits are the record's bad ones while deliveries run.
	habits map[string]any

	kills, writeKills, crashes, stops int
}

func newChaos(t *testing.T, binary string) *chaos {
	t.Helper()
	c := &chaos{binary: binary, zone: "UTC", long: longForm(), seed: rand.Uint64()}
	if time.Now().UTC().Hour() >= 20 {
		c.zone = "Etc/GMT+12" // the day must not change under the test
	}
	if text := os.Getenv("DWELLWATCH_CHAOS_SEED"); text != "" {
		seed, err := strconv.ParseUint(text, 10, 64)
		if err != nil {
			t.Fatal(err)
		}
		c.seed = seed
	}
	basis, err := basisSettings{Zone: c.zone}.basis()
	if err != nil {
		t.Fatal(err)
	}
	c.basis = basis
	t.Logf("seed %d", c.seed)
	c.rng = rand.New(rand.NewPCG(c.seed, 1))
	c.peer = peertest.Start(t)
	c.between = putBetween(t, c.peer.BaseURL)
	c.between.cutting = c.long
	return c
}

func (c *chaos) today() filter.Day {
	now := time.Now().In(c.basis.Zone)
	return filter.NewDay(now.Year(), now.Month(), now.Day())
}

// scale takes the number for the short or the long form.
func (c *chaos) scale(short, long int) int {
	if c.long {
		return long
	}
	return short
}

func (c *chaos) child(t *testing.T, name, database string) *child {
	// Short, so that the jobs of killed processes are seen to be taken up again; a job gets three quarters of it.
	rescueAfter := time.Duration(c.scale(10, 30)) * time.Second
	return newChild(t, name, c.binary, map[string]string{
		"DATABASE_URL": database, "RECORD_URL": c.between.url, "RECORD_TIMEOUT": recordTimeout.String(),
		"RESCUE_AFTER": rescueAfter.String(), "LISTEN": "127.0.0.1:0", "ZONE": c.zone, "WORKERS": "4",
		"CLINIC_OWNER": "Organization/alder-bay-retrieval-clinic", "COORDINATOR_OWNER": "Organization/alder-bay-filter-coordinator",
	})
}

// misbehave has the record refuse writes as conflicts, and break its answers to reads off, now and then, while deliveries run.
func (c *chaos) misbehave(t *testing.T) {
	t.Helper()
	c.habits = map[string]any{"conflictEvery": c.scale(3, 11), "cutReads": map[string]int{"every": 13, "bytes": 60}}
	c.peer.Habits(t, c.habits)
}

// kill kills a child, in most cases while a write of its is under way, and starts it again.
func (c *chaos) kill(t *testing.T, victim *child) {
	t.Helper()
	deadline := time.Now().Add(time.Duration(c.scale(2, 6)) * time.Second)
	waits := c.rng.IntN(4) != 0
	time.Sleep(time.Duration(c.rng.IntN(700)) * time.Millisecond)
	for struck := false; waits && !struck && time.Now().Before(deadline); time.Sleep(3 * time.Millisecond) {
		if struck = c.between.whileWriting(victim.who(), victim.strike); struck {
			c.writeKills++
		}
	}
	c.checkLog(t, victim)
	victim.kill()
	c.kills++
	victim.start(t)
}

func (c *chaos) checkLog(t *testing.T, programs ...*child) {
	t.Helper()
	for _, p := range programs {
		if p.log.sawPanic() {
			t.Errorf("%s panicked:\n%s", p.who(), p.log.tail())
		}
	}
}

// finish waits for rest and compares with the truth.
func (c *chaos) finish(t *testing.T, w *ward, s *sender, db *pgx.Conn, programs ...*child) verdict {
	t.Helper()
	c.between.calm()
	fired := c.peer.Log(t).Fired
	c.peer.Habits(t, nil)
	for habit := range c.habits {
		if c.long && fired[habit] == 0 {
			t.Errorf("the record's habit %s never struck", habit)
		}
	}
	s.finish()
	waited := converged(t, db)
	v := w.judge(t, db, c.peer, s, c.today())
	c.checkLog(t, programs...)
	t.Logf("%s: patients %d, deliveries %d (of these duplicates %d, out of order %d, merges of patients %d, taken back %d; repeated after no acknowledgement %d, of these 503 %d; echoes %d), "+
		"bad habits of the record %v, kills %d, kills during a write-back %d, crashes of PostgreSQL %d, stops of PostgreSQL %d, writes %d, replies cut %d, at rest after %.0f s, %s",
		t.Name(), len(w.patients), len(w.queue), w.duplicates, w.outOfOrder, w.merges, w.partings, s.repeats, s.unavailable, s.echoes,
		fired, c.kills, c.writeKills, c.crashes, c.stops, c.between.writes, c.between.cuts(), waited.Seconds(), v)
	return v
}

// chunk gives the n-th of so many equal parts of what is to be sent.
func (w *ward) chunk(n, of int) []telling {
	return w.queue[n*len(w.queue)/of : (n+1)*len(w.queue)/of]
}

// killed: SIGKILL at random moments, most of them while a write to the record is under way.
func killed(t *testing.T, c *chaos) {
	kills := c.scale(4, 55)
	w := newWard(t, c, c.scale(8, 66), 3)
	database := dbtest.URL(t)
	program := c.child(t, "one", database)
	program.start(t)
	c.misbehave(t)
	s := startSender(t, c.peer.BaseURL, program)
	for n := range kills {
		s.release(w.chunk(n, kills))
		c.kill(t, program)
	}
	c.finish(t, w, s, connect(t, database), program)
	if c.writeKills < c.scale(0, 20) {
		t.Errorf("only %d kills during a write-back", c.writeKills)
	}
}

// crashed: PostgreSQL is stopped and killed underneath the service, which must stay up, answer 503 and go on.
func crashed(t *testing.T, c *chaos) {
	rounds := c.scale(2, 12)
	w := newWard(t, c, c.scale(6, 33), 3)
	db := startServer(t)
	program := c.child(t, "one", db.cluster.URL("postgres"))
	program.start(t)
	s := startSender(t, c.peer.BaseURL, program)
	for n := range rounds {
		some := w.chunk(n, rounds)
		s.release(some[:len(some)/2])
		time.Sleep(time.Duration(200+c.rng.IntN(600)) * time.Millisecond)
		if n%2 == 0 {
			db.crash(t)
			c.crashes++
		} else {
			db.stop(t)
			c.stops++
		}
		s.release(some[len(some)/2:])
		time.Sleep(time.Duration(300+c.rng.IntN(1200)) * time.Millisecond)
		db.start(t)
		if !program.runs() {
			t.Fatalf("the service ended with its database:\n%s", program.log.tail())
		}
	}
	c.finish(t, w, s, connect(t, db.cluster.URL("postgres")), program)
	if s.unavailable == 0 {
		t.Error("no sender was told 503")
	}
}

// replicas: two programs on one database take deliveries in turn; one is killed, then both.
func replicas(t *testing.T, c *chaos) {
	kills := c.scale(4, 30)
	w := newWard(t, c, c.scale(8, 44), 3)
	database := dbtest.URL(t)
	pair := []*child{c.child(t, "one", database), c.child(t, "two", database)}
	for _, p := range pair {
		p.start(t)
	}
	c.misbehave(t)
	s := startSender(t, c.peer.BaseURL, pair...)
	for n := range kills {
		s.release(w.chunk(n, kills))
		victim := pair[0]
		if n >= kills/2 {
			victim = pair[n%2]
		}
		c.kill(t, victim)
	}
	c.finish(t, w, s, connect(t, database), pair...)
}

// restored: the database is lost and made anew; the record still holds the charts and our entries, and everything is sent
// again. They are found again, and none is added.
func restored(t *testing.T, c *chaos) {
	w := newWard(t, c, c.scale(8, 33), 1)
	c.between.calm()
	var before verdict
	for life := range 2 {
		database := dbtest.URL(t)
		program := c.child(t, fmt.Sprintf("life%d", life+1), database)
		program.start(t)
		s := startSender(t, c.peer.BaseURL, program)
		s.release(w.queue)
		v := c.finish(t, w, s, connect(t, database), program)
		program.stop()
		if life == 0 {
			before = v
			continue
		}
		if v.tasks != before.tasks || v.documents != before.documents {
			t.Errorf("the record held %d Tasks and %d documents, and holds %d and %d after the database was lost", before.tasks, before.documents, v.tasks, v.documents)
		}
	}
}

// server is a PostgreSQL of the scenario's own.
type server struct {
	dir     string
	cluster *pgembed.Cluster
}

func startServer(t *testing.T) *server {
	t.Helper()
	dir, err := os.MkdirTemp("", "dwchaos-")
	if err != nil {
		t.Fatal(err)
	}
	// The server may run as another user, who has to pass through.
	if err := os.Chmod(dir, 0o711); err != nil {
		t.Fatal(err)
	}
	s := &server{dir: dir}
	s.start(t)
	t.Cleanup(func() {
		ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
		defer cancel()
		_ = s.cluster.Stop(ctx)
		if err := pgembed.Remove(ctx, dir); err != nil {
			t.Error(err)
		}
	})
	return s
}

func (s *server) start(t *testing.T) {
	t.Helper()
	cluster, err := pgembed.Start(t.Context(), pgembed.Config{Dir: s.dir})
	if err != nil {
		t.Fatal(err)
	}
	s.cluster = cluster
}

func (s *server) stop(t *testing.T) {
	t.Helper()
	if err := s.cluster.Stop(t.Context()); err != nil {
		t.Fatal(err)
	}
}

// crash kills the server's first process and waits until it is gone.
func (s *server) crash(t *testing.T) {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(s.dir, "data", "postmaster.pid"))
	if err != nil {
		t.Fatal(err)
	}
	first, _, _ := strings.Cut(string(text), "\n")
	pid, err := strconv.Atoi(strings.TrimSpace(first))
	if err != nil || pid <= 1 {
		t.Fatalf("postmaster.pid names no process: %v", err)
	}
	if err := syscall.Kill(pid, syscall.SIGKILL); err != nil {
		t.Fatal(err)
	}
	<-s.cluster.Done()
	_ = s.cluster.Stop(t.Context()) // gives the folder back; it says that the server ended by itself
}
