// Package postgres keeps what dwellwatch knows: the resources of followed persons, assessments, referrals, receipts and the
// jobs that follow from each change, which are queued in the transaction of the change. It holds all SQL. It must never
// judge what a resource means, call another system, or put patient data into an error, a log line or a job's arguments.
//
// Locks are taken in one order everywhere, so that no two transactions wait for each other: reference slots (ascending), then persons
// (ascending id), then everything that belongs to them.
package postgres

import (
	"context"
	"fmt"
	"sync/atomic"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/riverqueue/river"
	"github.com/riverqueue/river/riverdriver/riverpgxv5"

	"dwellwatch/internal/fault"
)

// Options say what the installation is connected to.
type Options struct {
	// PullContext says that a record can be asked. Then new evidence or a new alias queues a context pull, and
	// a person's context is pending until it is done; otherwise what the feeds bring is all there is.
	PullContext bool
	// HoldFor is how long an entry is held that names a device which is not here; 0 means 30 days, the policy's default.
	HoldFor time.Duration
}

// Store is safe for concurrent use.
type Store struct {
	pool     *pgxpool.Pool
	queue    *river.Client[pgx.Tx]
	options  Options
	identity atomic.Pointer[identity] // read once; it never changes
}

// Open connects to the database that url names; it does not migrate. A database that does not answer is fault.Unavailable.
// The caller must Close the Store.
func Open(ctx context.Context, url string, o Options) (*Store, error) {
	config, err := pgxpool.ParseConfig(url)
	if err != nil {
		return nil, fmt.Errorf("read the database URL: %w", fault.Invalid) // its text may hold the password
	}
	if config.ConnConfig.RuntimeParams["application_name"] == "" {
		config.ConnConfig.RuntimeParams["application_name"] = "dwellwatch"
	}
	pool, err := pgxpool.NewWithConfig(ctx, config)
	if err != nil {
		return nil, failed("open the database", err)
	}
	if err := pool.Ping(ctx); err != nil {
		pool.Close()
		return nil, failed("open the database", err)
	}
	queue, err := river.NewClient(riverpgxv5.New(pool), &river.Config{})
	if err != nil {
		pool.Close()
		return nil, fmt.Errorf("open the queue: %w", err)
	}
	return &Store{pool: pool, queue: queue, options: o}, nil
}

// Pool gives the connections, for migrations and for the queue's workers.
func (s *Store) Pool() *pgxpool.Pool { return s.pool }

// Close waits for the connections to be given back and closes them.
func (s *Store) Close() { s.pool.Close() }

// identity is who this installation is.
type identity struct {
	id      uuid.UUID
	hashKey []byte
}

// inTx runs f in one transaction of PostgreSQL's default isolation and commits if f succeeds. what names the work in errors.
func (s *Store) inTx(ctx context.Context, what string, f func(pgx.Tx) error) error {
	return failed(what, pgx.BeginFunc(ctx, s.pool, f))
}

// inSnapshot runs f in one read-only transaction that sees a single moment.
func (s *Store) inSnapshot(ctx context.Context, what string, f func(pgx.Tx) error) error {
	o := pgx.TxOptions{IsoLevel: pgx.RepeatableRead, AccessMode: pgx.ReadOnly}
	return failed(what, pgx.BeginTxFunc(ctx, s.pool, o, f))
}

// lockPerson locks one person until the transaction ends; fault.NotFound if there is none.
func lockPerson(ctx context.Context, tx pgx.Tx, person string) error {
	const lock = `SELECT id::text FROM person WHERE id = @person FOR UPDATE`
	var id string
	return tx.QueryRow(ctx, lock, pgx.NamedArgs{"person": person}).Scan(&id)
}

// checkPerson refuses what cannot be the id of a person before the database does so less clearly.
func checkPerson(person string) error {
	if _, err := uuid.Parse(person); err != nil {
		return fmt.Errorf("person: %w", fault.NotFound)
	}
	return nil
}
