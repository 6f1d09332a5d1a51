package worklist

import (
	"bytes"
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"html/template"
	"net/http"
	"regexp"
	"strconv"
	"strings"
	"time"

	"dwellwatch/internal/agenda"
	"dwellwatch/internal/assess"
	"dwellwatch/internal/auth"
	"dwellwatch/internal/desk"
	"dwellwatch/internal/fault"
	"dwellwatch/internal/filter"
	"dwellwatch/internal/workup"

	"github.com/gin-gonic/gin"
)

// frame is what every page has.
type frame struct {
	Title  string
	Person auth.Person
	Nav    string // the part that the page belongs to
	Style  string // stamp of the styles
	Today  string
	Clock  string
	Status string   // what was just done
	Faults []string // why something was not done
}

// Sees reports whether the person may see the worklist.
func (f frame) Sees() bool { return f.Person.May(auth.Viewer, auth.Coordinator, auth.Clinician) }

// Calls reports whether the person may log contacts and correct facts.
func (f frame) Calls() bool { return f.Person.May(auth.Coordinator, auth.Clinician) }

// Decides reports whether the person may decide.
func (f frame) Decides() bool { return f.Person.May(auth.Clinician) }

// Engineer reports whether the person sees feeds and quarantine.
func (f frame) Engineer() bool { return f.Person.May(auth.Engineer) }

func (p *Pages) frame(c *gin.Context, nav, title string) frame {
	person, _ := auth.PersonOf(c.Request.Context())
	now := p.Now().In(p.Desk.Basis.Zone)
	return frame{Title: title, Person: person, Nav: nav, Style: p.stamp, Today: now.Format(time.DateOnly), Clock: now.Format("15:04:05")}
}

// load reads the templates and the styles.
func (p *Pages) load() error {
	p.templates = map[string]*template.Template{}
	for _, name := range []string{"list", "filter", "message", "feeds", "quarantine", "held"} {
		t, err := template.New(name).Funcs(p.words()).ParseFS(pageFiles, "pages/layout.html", "pages/"+name+".html")
		if err != nil {
			return fmt.Errorf("worklist: the page %s: %w", name, err)
		}
		p.templates[name] = t
	}
	parts, err := workup.Case{Assessment: assess.Assessment{AsOf: "2000-01-01"}}.Parts()
	if err != nil {
		return fmt.Errorf("worklist: the style of the document: %w", err)
	}
	p.workup = []byte(parts.Style)
	sum := sha256.Sum256(append(bytes.Clone(style), p.workup...))
	p.stamp = hex.EncodeToString(sum[:6])
	return nil
}

// asset gives a style sheet; its URL changes with its content.
func (p *Pages) asset(c *gin.Context) {
	body, ok := map[string][]byte{"style.css": style, "workup.css": p.workup}[c.Param("name")]
	if !ok {
		p.fail(c, fault.NotFound)
		return
	}
	headers(c.Writer.Header())
	c.Header("Cache-Control", "private, max-age=86400")
	c.Data(http.StatusOK, "text/css; charset=utf-8", body)
}

// headers keep a page to itself: nothing of another origin, no script, no copy in a cache.
func headers(h http.Header) {
	h.Set("Content-Security-Policy", "default-src 'none'; style-src 'self'; img-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'")
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("X-Frame-Options", "DENY")
	h.Set("Referrer-Policy", "same-origin")
	h.Set("Cross-Origin-Opener-Policy", "same-origin")
	h.Set("Cache-Control", "no-store")
}

// show writes a page; nothing is sent of one that cannot be made.
func (p *Pages) show(c *gin.Context, status int, name string, page any) {
	var out bytes.Buffer
	if err := p.templates[name].ExecuteTemplate(&out, "layout", page); err != nil {
		p.Log.Error("a page could not be made", "page", name, "cause", fmt.Sprintf("%T", err))
		c.String(http.StatusInternalServerError, "The page could not be made.")
		return
	}
	headers(c.Writer.Header())
	c.Data(status, "text/html; charset=utf-8", out.Bytes())
}

// message is a page that says one thing.
type message struct {
	frame
	Text        string
	List        []string
	Link, Label string
}

// fail answers an error with a page. It says nothing of its text but of refusals, whose words are ours.
func (p *Pages) fail(c *gin.Context, err error) {
	m := message{frame: p.frame(c, "", "Something went wrong"), Text: "Nothing was changed. Try again in a minute.", Link: Home, Label: "To the worklist"}
	if !m.Sees() {
		m.Link, m.Label = "/engineer", "To the feeds"
	}
	status := http.StatusInternalServerError
	var moved *desk.Moved
	var twice *desk.Twice
	var refused *desk.Refused
	switch {
	case errors.As(err, &moved):
		status = http.StatusPreconditionFailed
		m.Title, m.Text, m.List = "Not done: something has changed", "Since you opened the page, this has changed. Nothing of yours was saved; look at how it stands and decide anew.", moved.Changes
		if key := c.Param("filter"); key != "" {
			m.Link, m.Label = Home+"/filters/"+key, "See how it stands now"
		}
	case errors.As(err, &twice):
		status = http.StatusPreconditionFailed
		m.Title, m.Text = "Not done: this form was sent before", "It said something else then, and that is what was saved. Open the page again and enter this anew."
		m.Link, m.Label = Home+"/filters/"+c.Param("filter"), "See how it stands now"
	case errors.As(err, &refused):
		status, m.Title, m.Text, m.List = http.StatusUnprocessableEntity, "Not done", "Nothing was changed.", refused.Why
	case errors.Is(err, fault.NotFound):
		status, m.Title, m.Text = http.StatusNotFound, "Not here", "There is no such page."
	case errors.Is(err, fault.Unavailable):
		status, m.Title = http.StatusServiceUnavailable, "Not now"
	default:
		p.Log.Error("a page failed", "route", c.FullPath(), "cause", fmt.Sprintf("%T", err))
	}
	p.show(c, status, "message", m)
}

// token names a form once.
func token() string {
	b := make([]byte, 16)
	rand.Read(b) // never fails: https://pkg.go.dev/crypto/rand#Read
	return hex.EncodeToString(b)
}

// words are what templates say days, verdicts and steps with.
func (p *Pages) words() template.FuncMap {
	return template.FuncMap{
		"prose":   prose,
		"verdict": desk.VerdictWords,
		"kind":    desk.KindWords,
		"stands":  desk.Stands,
		"attend":  desk.AttentionWords,
		"day": func(d filter.Day) template.HTML {
			if d >= filter.MaxDay || d <= filter.MinDay {
				return ""
			}
			return prose(d.String())
		},
		"since": func(d filter.Day) string {
			if d == p.Desk.Today() {
				return "since today"
			}
			return days(int(p.Desk.Today() - d))
		},
		"called": called,
		"open":   func(rank int) bool { return rank <= agenda.RankRests },
		"until": func(d filter.Day) string {
			switch n := int(d - p.Desk.Today()); {
			case n == 0:
				return "today"
			case n == 1:
				return "tomorrow"
			case n > 1:
				return "in " + days(n)
			default:
				return days(-n) + " ago"
			}
		},
		"known":   func(d filter.Day) bool { return d < filter.MaxDay && d > filter.MinDay },
		"late":    func(d filter.Day) bool { return d < p.Desk.Today() },
		"span":    spanWords,
		"dwell":   p.dwell,
		"rank":    rankWords,
		"token":   token,
		"tries":   func() int { return agenda.AttemptsToLose },
		"refs":    refs,
		"changes": changeWords,
		"ends":    func(d int) string { return p.Desk.Today().Add(d).String() },
		"tomorrow": func() string {
			return p.Desk.Today().Add(1).String()
		},
		"priority": func(code string) string {
			return map[string]string{"stat": "emergency", "urgent": "urgent", "asap": "as soon as possible", "routine": "routine"}[code]
		},
		"task": taskWords,
		"title": func(s string) string {
			if s == "" {
				return s
			}
			return strings.ToUpper(s[:1]) + s[1:]
		},
	}
}

// called says how far the patient has been reached.
func called(l agenda.Line) string {
	switch {
	case l.LastReached:
		return "reached"
	case l.Attempts > 0:
		return strconv.Itoa(l.Attempts) + " of " + strconv.Itoa(agenda.AttemptsToLose) + " in vain"
	}
	return "not called yet"
}

func days(n int) string {
	if n == 1 {
		return "1 day"
	}
	return strconv.Itoa(n) + " days"
}

// prose escapes a text and keeps its days and months from being broken at their hyphens.
func prose(text string) template.HTML {
	whole := regexp.MustCompile(`\b\d{4}-\d{2}(-\d{2})?\b`).ReplaceAllString(template.HTMLEscapeString(text), `<span class="nowrap">$0</span>`)
	return template.HTML(whole) //nolint:gosec // escaped above
}

// spanWords says days that are known in part.
func spanWords(s filter.Span) template.HTML {
	day := filter.Day.String
	text := day(s.Earliest) + " to " + day(s.Latest)
	switch {
	case !s.Known():
		text = "day not known"
	case s.Earliest == s.Latest:
		text = day(s.Earliest)
	case s.Earliest <= filter.MinDay:
		text = "by " + day(s.Latest)
	case s.Latest >= filter.MaxDay:
		text = "after " + day(s.Earliest)
	}
	return prose(text)
}

// dwell says for how long a filter has been in.
func (p *Pages) dwell(l agenda.Line) string {
	if l.Standing == "removed" || !l.Placed.Known() {
		return ""
	}
	today := p.Desk.Today()
	switch {
	case l.Placed.Earliest == l.Placed.Latest:
		return days(int(today - l.Placed.Latest))
	case l.Placed.Earliest <= filter.MinDay:
		return "at least " + days(max(0, int(today-l.Placed.Latest)))
	case l.Placed.Latest >= filter.MaxDay:
		return "up to " + days(int(today-l.Placed.Earliest))
	}
	return strconv.Itoa(max(0, int(today-l.Placed.Latest))) + " to " + days(int(today-l.Placed.Earliest))
}

func rankWords(rank int) string {
	return [...]string{"Act now", "Act now", "Soon", "Routine", "Find out whether a filter is in", "In others’ hands, or put off", "Waiting for a day", "Meant to stay", "Closed"}[min(max(rank, 0), agenda.RankClosed)]
}

// taskWords says a state of a Task. http://hl7.org/fhir/R4/valueset-task-status.html
func taskWords(status string) string {
	return map[string]string{"draft": "drafted, nobody took it up yet", "requested": "ordered, nobody took it up yet", "received": "received", "accepted": "accepted", "rejected": "rejected",
		"ready": "ready", "cancelled": "cancelled", "in-progress": "in work", "on-hold": "on hold", "failed": "failed", "completed": "completed",
		"entered-in-error": "called an error"}[status]
}

// changeWords says what has changed between two answers, most of them by name only.
func changeWords(list []assess.Change) []string {
	names := map[string]string{"verdict": "verdict", "standing": "standing", "window": "window", "indication": "reason for the filter", "anticoagulation": "anticoagulation", "overdue": "overdue",
		"emergency": "emergency", "asked": "asked by others", "placed": "day of placement", "removed": "removal", "model": "model", "contradiction": "contradiction", "complication": "complication",
		"finding": "finding", "event": "history", "missing": "what is missing", "plan": "plan", "headline": "why", "plannedIntent": "documented plan", "reassessmentOverdue": "re-assessment overdue"}
	var out []string
	seen := map[string]bool{}
	for _, x := range list {
		name, ok := names[x.About]
		if !ok || x.About == "headline" {
			continue
		}
		text := name
		switch x.About {
		case "verdict":
			text = "verdict: " + desk.VerdictWords(x.Old) + " → " + desk.VerdictWords(x.New)
		case "standing", "window", "indication", "anticoagulation", "placed", "removed", "model":
			text = name + ": " + orDash(x.Old) + " → " + orDash(x.New)
		case "event", "complication", "contradiction", "finding":
			if text = name + ": " + x.New; x.New == "" {
				text = name + " no longer told: " + x.Old
			}
		}
		if !seen[text] {
			seen[text] = true
			out = append(out, text)
		}
	}
	return out[:min(len(out), 8)]
}

func orDash(s string) string {
	if s == "" {
		return "–"
	}
	return s
}
