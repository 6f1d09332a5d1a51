package worklist

import (
	"errors"
	"net/http"
	"slices"
	"strconv"
	"time"

	"dwellwatch/internal/fault"
	"dwellwatch/internal/postgres"

	"github.com/gin-gonic/gin"
)

// feedDays is for how many days back deliveries are counted.
const feedDays = 7

// feedsPage shows how the feeds go.
type feedsPage struct {
	frame
	Feeds  []postgres.FeedState
	Gaps   []postgres.GapCount
	Gauges postgres.Gauges
	Days   int
	Zone   *time.Location
}

func (p *Pages) feeds(c *gin.Context) {
	ctx := c.Request.Context()
	feeds, gaps, err := p.Feeds(ctx, p.Now().AddDate(0, 0, -feedDays))
	if err != nil {
		p.fail(c, err)
		return
	}
	gauges, err := p.Gauges(ctx)
	if err != nil {
		p.fail(c, err)
		return
	}
	for _, name := range p.FeedNames {
		if !slices.ContainsFunc(feeds, func(f postgres.FeedState) bool { return f.Feed == name }) {
			feeds = append(feeds, postgres.FeedState{Feed: name})
		}
	}
	p.show(c, http.StatusOK, "feeds", feedsPage{p.frame(c, "feeds", "Feeds"), feeds, gaps, gauges, feedDays, p.Desk.Basis.Zone})
}

// heldPage is a page of the quarantine.
type heldPage struct {
	frame
	Entries []postgres.Held
	Next    int64
	Zone    *time.Location
}

const heldPerPage = 50

func (p *Pages) heldList(c *gin.Context) {
	after, err := strconv.ParseInt(c.Query("after"), 10, 64)
	if err != nil || after < 0 {
		after = 0
	}
	list, err := p.Quarantine.QuarantineList(c.Request.Context(), "", after, heldPerPage+1)
	if err != nil {
		p.fail(c, err)
		return
	}
	out := heldPage{frame: p.frame(c, "quarantine", "Quarantine"), Zone: p.Desk.Basis.Zone}
	if len(list) > heldPerPage {
		list = list[:heldPerPage]
		out.Next = list[heldPerPage-1].ID
	}
	out.Entries, out.Status = list, doneWords(c.Query("done"))
	p.show(c, http.StatusOK, "quarantine", out)
}

// oneHeld is one entry of the quarantine, without its bytes.
type oneHeld struct {
	frame
	Entry postgres.Held
	Zone  *time.Location
}

func (p *Pages) heldEntry(c *gin.Context) {
	page, err := p.held(c)
	if err != nil {
		p.fail(c, err)
		return
	}
	p.show(c, http.StatusOK, "held", page)
}

func (p *Pages) held(c *gin.Context) (oneHeld, error) {
	id, err := heldID(c)
	if err != nil {
		return oneHeld{}, err
	}
	h, err := p.Quarantine.QuarantineShow(c.Request.Context(), id)
	h.Body = nil // never shown here
	return oneHeld{p.frame(c, "quarantine", "Quarantine, entry "+strconv.FormatInt(id, 10)), h, p.Desk.Basis.Zone}, err
}

func heldID(c *gin.Context) (int64, error) {
	id, err := strconv.ParseInt(c.Param("id"), 10, 64)
	if err != nil || id < 1 {
		return 0, fault.NotFound
	}
	return id, nil
}

// heldReplay takes an entry through its door once more. One that is refused again stays, and its page says why.
func (p *Pages) heldReplay(c *gin.Context) {
	id, err := heldID(c)
	if err == nil {
		var status int
		if status, err = p.replay(c, id); err == nil && status < http.StatusBadRequest {
			p.leave(c, "/engineer/quarantine?done=replay")
			return
		}
	}
	if err != nil && !errors.Is(err, fault.Refused) {
		p.fail(c, err)
		return
	}
	page, err := p.held(c)
	if err != nil {
		p.fail(c, err)
		return
	}
	page.Faults = []string{"The door refused it again; the newest faults stand below."}
	switch said := page.Entry.OutcomeIssues; {
	case len(said) > 0 && said[0].Code == "business-rule":
		page.Faults = []string{"The door can read it now and would keep nothing of it, so it stays; what the door says stands below."}
	case !page.Entry.Replayable:
		page.Faults = []string{"Its bytes were not kept; the sender must send it again."}
	}
	p.show(c, http.StatusUnprocessableEntity, "held", page)
}

func (p *Pages) heldDiscard(c *gin.Context) {
	id, err := heldID(c)
	if err == nil {
		err = p.Quarantine.QuarantineDiscard(c.Request.Context(), id)
	}
	if err != nil && !errors.Is(err, fault.NotFound) { // somebody else discarded it: it is gone all the same
		p.fail(c, err)
		return
	}
	p.leave(c, "/engineer/quarantine?done=discard")
}

func (p *Pages) leave(c *gin.Context, to string) {
	c.Redirect(http.StatusSeeOther, to)
	c.Writer.WriteHeaderNow()
}
