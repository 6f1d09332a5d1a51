package main

import (
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"net/url"
	"os"
	"strings"
	"text/tabwriter"
	"unicode"

	"github.com/tidwall/gjson"
)

// quietest is the lowest level of the log here: each call would otherwise be told as a request.
const quietest = slog.LevelWarn

func pageOf(feed string, after int64) string {
	v := url.Values{"after": {number(after)}, "limit": {"1000"}}
	if feed != "" {
		v.Set("feed", feed)
	}
	return v.Encode()
}

// terminal reports whether people look at w as it is written.
func terminal(w io.Writer) bool {
	f, ok := w.(*os.File)
	if !ok {
		return false
	}
	info, err := f.Stat()
	return err == nil && info.Mode()&os.ModeCharDevice != 0
}

// printList prints a table with a heading on a terminal, else one line per entry with tabs in between.
func (q *held) printList(entries []gjson.Result) error {
	if q.json {
		for _, e := range entries {
			if _, err := fmt.Fprintln(q.out, e.Raw); err != nil {
				return err
			}
		}
		return nil
	}
	w, flush := q.out, func() error { return nil }
	if terminal(q.out) {
		t := tabwriter.NewWriter(q.out, 0, 4, 2, ' ', 0)
		w, flush = t, t.Flush
		fmt.Fprintln(t, "ID\tFEED\tRECEIVED\tEXPIRES\tBYTES\tREPLAY\tFAULTS\tFIRST FAULT")
	}
	for _, e := range entries {
		issues := e.Get("issues").Array()
		first := ""
		if len(issues) > 0 {
			first = issueLine(issues[0])
		}
		if _, err := fmt.Fprintf(w, "%d\t%s\t%s\t%s\t%d\t%s\t%d\t%s\n", e.Get("id").Int(), e.Get("feed"), e.Get("receivedAt"),
			e.Get("expiresAt"), e.Get("size").Int(), replayWord(e), len(issues), first); err != nil {
			return err
		}
	}
	return flush()
}

// replayWord says whether an entry can be replayed and whether it was.
func replayWord(e gjson.Result) string {
	switch n := e.Get("replays").Int(); {
	case !e.Get("replayable").Bool():
		return "no"
	case n > 0:
		return fmt.Sprintf("refused %dx", n)
	}
	return "yes"
}

func issueLine(i gjson.Result) string {
	line := i.Get("severity").String() + " " + i.Get("code").String()
	for _, name := range []string{"path", "text"} {
		if v := i.Get(name).String(); v != "" {
			line += " " + v
		}
	}
	return printable(line)
}

// printEntry prints everything that is told of one entry.
func (q *held) printEntry(e gjson.Result) error {
	if q.json {
		_, err := fmt.Fprintln(q.out, e.Raw)
		return err
	}
	var b strings.Builder
	w := tabwriter.NewWriter(&b, 0, 4, 2, ' ', 0)
	for _, line := range [][2]string{{"entry", "id"}, {"feed", "feed"}, {"door", "route"}, {"received", "receivedAt"}, {"expires", "expiresAt"}, {"bytes", "size"},
		{"method", "request.method"}, {"target", "request.target"}, {"content type", "request.contentType"}, {"encoding", "request.contentEncoding"},
		{"entry of", "request.bundle"}, {"refused again", "replays"}, {"last replay", "lastReplay.at"}, {"it answered", "lastReplay.status"}} {
		if v := e.Get(line[1]).String(); v != "" {
			fmt.Fprintf(w, "%s\t%s\n", line[0], printable(v))
		}
	}
	if err := w.Flush(); err != nil {
		return err
	}
	if note := e.Get("note").String(); note != "" {
		fmt.Fprintf(&b, "It cannot be replayed: %s.\n", note)
	}
	faults := func(heading, path string) {
		if list := e.Get(path).Array(); len(list) > 0 {
			fmt.Fprintln(&b, heading)
			for _, i := range list {
				fmt.Fprintln(&b, "  "+issueLine(i))
			}
		}
	}
	faults("faults:", "issues")
	faults("faults of the last replay:", "lastReplay.issues")
	if body := e.Get("body"); body.Exists() {
		fmt.Fprintf(&b, "\n%s\n", printable(body.String()))
	}
	_, err := io.WriteString(q.out, b.String())
	return err
}

// printable keeps what came from elsewhere from steering a terminal.
func printable(s string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsControl(r) && r != '\n' && r != '\t' {
			return '\uFFFD'
		}
		return r
	}, s)
}

// printReplay prints what became of one replay: the status and what the door says.
func (q *held) printReplay(id int64, a *heldAnswer) error {
	if q.json {
		return q.object(struct {
			ID     int64           `json:"id"`
			Status int             `json:"status"`
			Answer json.RawMessage `json:"answer"`
		}{id, a.status, a.body.Bytes()})
	}
	answer := gjson.ParseBytes(a.body.Bytes())
	if entries := answer.Get("entry").Array(); len(entries) > 0 {
		counts := map[string]int{}
		var order []string
		for _, e := range entries {
			status := e.Get("response.status").String()
			if counts[status] == 0 {
				order = append(order, status)
			}
			counts[status]++
		}
		var parts []string
		for _, status := range order {
			parts = append(parts, fmt.Sprintf("%d× %s", counts[status], status))
		}
		_, err := fmt.Fprintf(q.out, "%d\t%d\tentries: %s\n", id, a.status, strings.Join(parts, ", "))
		return err
	}
	for n, i := range answer.Get("issue").Array() {
		line := i.Get("severity").String() + " " + i.Get("code").String()
		for _, v := range []string{i.Get("expression.0").String(), i.Get("details.text").String()} {
			if v != "" {
				line += " " + v
			}
		}
		start := fmt.Sprintf("%d\t%d", id, a.status)
		if n > 0 {
			start = "\t"
		}
		if _, err := fmt.Fprintf(q.out, "%s\t%s\n", start, printable(line)); err != nil {
			return err
		}
	}
	return nil
}
