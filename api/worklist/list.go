package worklist

import (
	"net/http"
	"net/url"
	"slices"
	"strconv"

	"dwellwatch/internal/desk"
	"dwellwatch/internal/postgres"

	"github.com/gin-gonic/gin"
)

// listPage is the worklist.
type listPage struct {
	frame
	desk.List
	Groups   []group
	Verdicts []tab
	Shows    []tab
	Query    string // of this list, to come back to it
	Searched string // what was looked for; "" for the list
	Words    string
	Next     string
	Previous string
	All      tab
}

// group is the lines of one urgency.
type group struct {
	Rank  int
	Title string
	Lines []postgres.Listed
}

// tab is a part of the list to choose.
type tab struct {
	Code, Words, Link string
	Count             int
	Current           bool
}

// verdicts in the order of their urgency.
func verdicts() []string {
	return []string{"urgent", "refer", "review", "clarify", "wait", "keep", "closed"}
}

func showWords(show string) string {
	return map[string]string{"overdue": "Overdue", "in-hospital": "In hospital now", "unreachable": "No contact details", "lost": "Lost to follow-up", "put-off": "Put off"}[show]
}

// asked reads which part of the list is wanted; what is not understood is left out.
func asked(q url.Values) (postgres.WorkQuery, int) {
	var w postgres.WorkQuery
	if v := q.Get("verdict"); slices.Contains(verdicts(), v) {
		w.Verdict = v
	}
	if s := q.Get("show"); slices.Contains(postgres.Shows(), s) {
		w.Show = s
	}
	page, err := strconv.Atoi(q.Get("page"))
	if err != nil || page < 1 || page > 1_000_000 {
		page = 1
	}
	return w, page
}

// linkTo gives the URL of a part of the list.
func linkTo(w postgres.WorkQuery, page int) string {
	q := queryOf(w, page)
	if q == "" {
		return Home
	}
	return Home + "?" + q
}

func queryOf(w postgres.WorkQuery, page int) string {
	q := url.Values{}
	if w.Verdict != "" {
		q.Set("verdict", w.Verdict)
	}
	if w.Show != "" {
		q.Set("show", w.Show)
	}
	if page > 1 {
		q.Set("page", strconv.Itoa(page))
	}
	return q.Encode()
}

func (p *Pages) list(c *gin.Context) {
	if f := p.frame(c, "", ""); !f.Sees() && f.Engineer() {
		p.leave(c, "/engineer")
		return
	}
	w, page := asked(c.Request.URL.Query())
	l, err := p.Desk.List(c.Request.Context(), w, page)
	if err != nil {
		p.fail(c, err)
		return
	}
	out := p.listPage(c, l, w)
	out.Status = doneWords(c.Query("done"))
	p.show(c, http.StatusOK, "list", out)
}

// search looks for patients; what is looked for stands in the body, and the answer is the page itself.
func (p *Pages) search(c *gin.Context) {
	text := c.PostForm("words")
	w := postgres.WorkQuery{Words: desk.Words(text)}
	l, err := p.Desk.List(c.Request.Context(), w, 1)
	if err != nil {
		p.fail(c, err)
		return
	}
	out := p.listPage(c, l, w)
	if out.Words = text; len(w.Words) > 0 {
		out.Searched, out.Title = text, "Search"
	}
	p.show(c, http.StatusOK, "list", out)
}

func (p *Pages) listPage(c *gin.Context, l desk.List, w postgres.WorkQuery) listPage {
	out := listPage{frame: p.frame(c, "worklist", "Filters to follow"), List: l, Query: queryOf(w, l.Page)}
	for _, line := range l.Lines {
		title := rankWords(line.Rank)
		if n := len(out.Groups); n == 0 || out.Groups[n-1].Title != title {
			out.Groups = append(out.Groups, group{Rank: line.Rank, Title: title})
		}
		g := &out.Groups[len(out.Groups)-1]
		g.Lines = append(g.Lines, line)
	}
	total := 0
	for _, v := range verdicts() {
		n := l.Counts.Verdicts[v]
		if v != "closed" {
			total += n
		}
		out.Verdicts = append(out.Verdicts, tab{v, desk.VerdictWords(v), linkTo(postgres.WorkQuery{Verdict: v}, 1), n, w.Verdict == v})
	}
	out.All = tab{"", "All open", Home, total, w.Verdict == "" && w.Show == "" && w.Words == nil}
	for _, s := range postgres.Shows() {
		out.Shows = append(out.Shows, tab{s, showWords(s), linkTo(postgres.WorkQuery{Show: s}, 1), l.Counts.Shows[s], w.Show == s})
	}
	if l.More && w.Words == nil {
		out.Next = linkTo(w, l.Page+1)
	}
	if l.Page > 1 {
		out.Previous = linkTo(w, l.Page-1)
	}
	return out
}
