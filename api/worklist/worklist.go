// Package worklist is the pages for people: the retrieval clinic's list, the page of one filter with what can be done about
// it, and the engineer's pages of feeds and quarantine. Pages are whole HTML documents, made here, that work without any
// script. No URL holds anything of a patient: a filter is named by a keyed hash, and a search is sent in a body.
//
// It must never reach the database but through the desk and the functions of its Config, and never write anything of a
// patient into a log.
package worklist

import (
	"context"
	"embed"
	"errors"
	"html/template"
	"log/slog"
	"net/http"
	"time"

	"dwellwatch/api/route"
	"dwellwatch/internal/auth"
	"dwellwatch/internal/desk"
	"dwellwatch/internal/postgres"

	"github.com/gin-gonic/gin"
)

//go:embed pages/*.html
var pageFiles embed.FS

//go:embed assets/style.css
var style []byte

// Replay takes an entry of the quarantine through its door once more and gives the door's status.
type Replay func(c *gin.Context, id int64) (status int, err error)

// Config is what the pages need.
type Config struct {
	Desk desk.Desk
	// Quarantine and Gauges are the engineer's.
	Quarantine Quarantine
	Feeds      func(ctx context.Context, since time.Time) ([]postgres.FeedState, []postgres.GapCount, error)
	Gauges     func(ctx context.Context) (postgres.Gauges, error)
	// FeedNames are the configured feeds.
	FeedNames []string
	Now       func() time.Time
	Log       *slog.Logger
}

// Quarantine is what the engineer's pages need of it; the bytes of an entry are never shown.
type Quarantine interface {
	QuarantineList(ctx context.Context, feed string, after int64, limit int) ([]postgres.Held, error)
	QuarantineShow(ctx context.Context, id int64) (postgres.Held, error)
	QuarantineDiscard(ctx context.Context, id int64) error
}

// Pages answers the routes for people.
type Pages struct {
	Config
	templates map[string]*template.Template
	workup    []byte // style of the document's sections
	stamp     string // of the styles, so that a new version is fetched
	replay    Replay
}

// New reads the templates.
func New(c Config) (*Pages, error) {
	switch {
	case c.Quarantine == nil, c.Feeds == nil, c.Gauges == nil, c.Now == nil, c.Log == nil, c.Desk.Store == nil:
		return nil, errors.New("worklist: the configuration is not complete")
	}
	p := &Pages{Config: c}
	return p, p.load()
}

// Home is the page where people begin.
const Home = "/worklist"

// Routes gives the routes. replay is how the doors take an entry of the quarantine once more.
func (p *Pages) Routes(replay Replay) []route.Route {
	p.replay = replay
	line := func(method, path string, a auth.Access, handle gin.HandlerFunc) route.Route {
		r := route.Route{Method: method, Path: path, Access: a, Handle: handle}
		if len(path) > len(filterPath) && path[:len(filterPath)] == filterPath || path == filterPath {
			r.Filter = "filter"
		}
		return r
	}
	see := auth.ForPeople(auth.Viewer, auth.Coordinator, auth.Clinician)
	team := auth.ForPeople(auth.Coordinator, auth.Clinician)
	clinician := auth.ForPeople(auth.Clinician)
	engineer := auth.ForPeople(auth.Engineer)
	get, post := http.MethodGet, http.MethodPost
	return []route.Route{
		line(get, Home, auth.ForPeople(), p.list),                                            // whoever may not see it is led on
		{Method: post, Path: "/worklist/search", Access: see, Handle: p.search, Reads: true}, // a search stands in no address
		line(get, "/worklist/assets/:name", auth.ForPeople(), p.asset),
		line(get, filterPath, see, p.filter),
		line(get, filterPath+"/document", see, p.document),
		line(post, filterPath+"/contact", team, p.act("contact", contact)),
		line(post, filterPath+"/correction", team, p.act("correction", correct)),
		line(post, filterPath+"/take-back", team, p.act("take-back", takeBack)),
		line(post, filterPath+"/approve", clinician, p.act("approve", approve)),
		line(post, filterPath+"/snooze", clinician, p.act("snooze", snooze)),
		line(post, filterPath+"/decline", clinician, p.act("decline", decline)),
		line(post, filterPath+"/outcome", clinician, p.act("outcome", outcome)),
		line(post, filterPath+"/reassessment", clinician, p.act("reassessment", reassess)),
		line(post, filterPath+"/complication", clinician, p.act("complication", dealtWith)),
		line(get, "/engineer", engineer, p.feeds),
		line(get, "/engineer/quarantine", engineer, p.heldList),
		line(get, "/engineer/quarantine/:id", engineer, p.heldEntry),
		line(post, "/engineer/quarantine/:id/replay", engineer, p.heldReplay),
		line(post, "/engineer/quarantine/:id/discard", engineer, p.heldDiscard),
	}
}

const filterPath = "/worklist/filters/:filter"
