package worklist

import (
	"net/http"
	"slices"
	"strings"

	"dwellwatch/internal/desk"
	"dwellwatch/internal/entry"

	"github.com/gin-gonic/gin"
)

// filterPage is the page of one filter.
type filterPage struct {
	frame
	desk.View
	Open string // the form to open
	Why  string // what was typed into it
	Hows []string
}

func (p *Pages) filter(c *gin.Context) {
	v, err := p.Desk.View(c.Request.Context(), c.Param("filter"))
	if err != nil {
		p.fail(c, err)
		return
	}
	page := p.filterPage(c, v)
	page.Status = doneWords(c.Query("done"))
	p.show(c, http.StatusOK, "filter", page)
}

func (p *Pages) filterPage(c *gin.Context, v desk.View) filterPage {
	name := v.Line.Name
	if name == "" {
		name = "Name not recorded"
	}
	return filterPage{frame: p.frame(c, "worklist", name), View: v, Hows: entry.Hows()}
}

// refs names entries with where each stands on the page.
func refs(f filterPage, evidence []string) []desk.Entry {
	out := make([]desk.Entry, 0, len(evidence))
	for _, ref := range evidence {
		entry, _, _ := strings.Cut(ref, "#")
		at := slices.IndexFunc(f.Entries, func(e desk.Entry) bool { return e.Ref == entry })
		if at < 0 {
			out = append(out, desk.Entry{Ref: ref})
			continue
		}
		out = append(out, desk.Entry{Ref: shortRef(ref), Anchor: f.Entries[at].Anchor})
	}
	return out
}

// shortRef leaves out where an entry's feed is: it stands beside the entry.
func shortRef(ref string) string {
	parts := strings.Split(ref, "/")
	if len(parts) > 2 && strings.Contains(ref, ":") {
		return strings.Join(parts[len(parts)-2:], "/")
	}
	return ref
}

// document gives the work-up document.
func (p *Pages) document(c *gin.Context) {
	body, err := p.Desk.Document(c.Request.Context(), c.Param("filter"))
	if err != nil {
		p.fail(c, err)
		return
	}
	headers(c.Writer.Header())
	c.Header("Content-Disposition", `inline; filename="work-up.pdf"`)
	c.Data(http.StatusOK, "application/pdf", body)
}
