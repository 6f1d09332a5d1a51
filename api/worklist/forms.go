package worklist

import (
	"crypto/sha256"
	"errors"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"dwellwatch/internal/auth"
	"dwellwatch/internal/desk"
	"dwellwatch/internal/draft"
	"dwellwatch/internal/entry"
	"dwellwatch/internal/filter"

	"github.com/gin-gonic/gin"
)

// deed carries out one form.
type deed func(c *gin.Context, d desk.Desk, f desk.Form) error

// maxForm bounds a form in bytes.
const maxForm = 64 << 10

// maxWhy bounds a reason or note in letters, as the pages do.
const maxWhy = 2000

// act reads what every form has, carries the form out, and leads back to where it came from. What is refused is told on the
// page of the filter, with the form open.
func (p *Pages) act(kind string, do deed) gin.HandlerFunc {
	return func(c *gin.Context) {
		c.Request.Body = http.MaxBytesReader(c.Writer, c.Request.Body, maxForm)
		f, err := p.form(c, kind)
		if err == nil {
			err = do(c, p.Desk, f)
		}
		var refused *desk.Refused
		switch {
		case err == nil:
			c.Redirect(http.StatusSeeOther, p.back(c, kind))
			c.Writer.WriteHeaderNow()
		case errors.As(err, &refused):
			p.again(c, f, kind, refused)
		default:
			p.fail(c, err)
		}
	}
}

func (p *Pages) form(c *gin.Context, kind string) (desk.Form, error) {
	person, _ := auth.PersonOf(c.Request.Context())
	f := desk.Form{Page: c.Param("filter"), Token: c.PostForm("token"), Said: said(c, kind), Stands: c.PostForm("stands"), Why: c.PostForm("why"),
		By: desk.Caller{Subject: person.Subject, Clinician: person.May(auth.Clinician), Author: entry.Author{Name: person.Name, Reference: person.Practitioner}}}
	if !regexp.MustCompile(`^[0-9a-f]{32}$`).MatchString(f.Token) {
		return f, &desk.Refused{Why: []string{"The form is not one of ours. Open the page again."}}
	}
	// A browser counts the end of a line as one letter, and sends two.
	if utf8.RuneCountInString(strings.ReplaceAll(f.Why, "\r\n", "\n")) > maxWhy {
		return f, &desk.Refused{Why: []string{"The reason is too long: at most " + strconv.Itoa(maxWhy) + " letters."}}
	}
	return f, nil
}

// said digests what a form says, whoever sends it: not the names that the page itself has put in.
func said(c *gin.Context, kind string) string {
	values := url.Values{"form": {kind}}
	for name, list := range c.Request.PostForm {
		if !slices.Contains([]string{"token", "stands", "list", "form"}, name) {
			values[name] = list
		}
	}
	sum := sha256.Sum256([]byte(values.Encode()))
	return string(sum[:])
}

// back leads to the list that the form was on, or to the page of the filter.
func (p *Pages) back(c *gin.Context, kind string) string {
	if list, given := c.GetPostForm("list"); given {
		q, err := url.ParseQuery(list)
		if err != nil {
			q = url.Values{}
		}
		w, page := asked(q)
		q, _ = url.ParseQuery(queryOf(w, page))
		q.Set("done", kind)
		return Home + "?" + q.Encode() + "#f-" + c.Param("filter")
	}
	return Home + "/filters/" + c.Param("filter") + "?done=" + kind
}

// again shows the page of the filter with what was wrong.
func (p *Pages) again(c *gin.Context, f desk.Form, kind string, refused *desk.Refused) {
	v, err := p.Desk.View(c.Request.Context(), f.Page)
	if err != nil {
		p.fail(c, err)
		return
	}
	page := p.filterPage(c, v)
	page.Faults, page.Open, page.Why = refused.Why, kind, f.Why
	p.show(c, http.StatusUnprocessableEntity, "filter", page)
}

// doneWords says what was just done; "" for a code that is none.
func doneWords(kind string) string {
	return map[string]string{
		"contact": "The contact attempt is logged.", "correction": "The correction is entered; the answer below takes it into account.", "take-back": "The entry is taken back.",
		"approve": "Approved. The order is written to the record.", "snooze": "Put off. It comes back on the day you gave.", "decline": "Declined. It is asked again on the day you gave.",
		"outcome": "The outcome is recorded.", "reassessment": "The re-assessment is recorded.", "complication": "The complication is recorded as dealt with.",
		"replay": "The entry was taken by its door and has left the quarantine.", "discard": "The entry is discarded.",
	}[kind]
}

func contact(c *gin.Context, d desk.Desk, f desk.Form) error {
	how := c.PostForm("how")
	if how == "" {
		how = "telephone"
	}
	switch c.PostForm("reached") {
	case "yes":
		return d.Contact(c.Request.Context(), f, how, true)
	case "no":
		return d.Contact(c.Request.Context(), f, how, false)
	}
	return &desk.Refused{Why: []string{"Say whether somebody was reached."}}
}

func approve(c *gin.Context, d desk.Desk, f desk.Form) error {
	return d.Decide(c.Request.Context(), f, draft.Approve, 0)
}

func snooze(c *gin.Context, d desk.Desk, f desk.Form) error { return putOff(c, d, f, draft.Snooze) }

func decline(c *gin.Context, d desk.Desk, f desk.Form) error { return putOff(c, d, f, draft.Decline) }

func putOff(c *gin.Context, d desk.Desk, f desk.Form, kind draft.ActKind) error {
	until, err := filter.ParseDay(c.PostForm("until"))
	if err != nil {
		until = 0
	}
	return d.Decide(c.Request.Context(), f, kind, until)
}

func outcome(c *gin.Context, d desk.Desk, f desk.Form) error {
	return d.Outcome(c.Request.Context(), f, c.PostForm("what"), c.PostForm("on"))
}

func reassess(c *gin.Context, d desk.Desk, f desk.Form) error {
	return d.Reassess(c.Request.Context(), f, c.PostForm("finding"), c.PostForm("until"))
}

func dealtWith(c *gin.Context, d desk.Desk, f desk.Form) error {
	return d.DealtWith(c.Request.Context(), f, c.PostForm("entry"), c.PostForm("on"))
}

func takeBack(c *gin.Context, d desk.Desk, f desk.Form) error {
	return d.TakeBack(c.Request.Context(), f, c.PostForm("of"))
}

func correct(c *gin.Context, d desk.Desk, f desk.Form) error {
	return d.Correct(c.Request.Context(), f, desk.Fact{What: c.PostForm("what"), Day: c.PostForm("on"), Model: c.PostForm("model"), Entry: c.PostForm("entry")})
}
