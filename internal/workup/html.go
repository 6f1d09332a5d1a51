package workup

import (
	"bytes"
	_ "embed" // the page's template
	"fmt"
	"html/template"
	"regexp"
	"strconv"

	"dwellwatch/internal/assess"
	"dwellwatch/internal/draft"
)

//go:embed page.html
var pageTemplate string

// page is what the template shows.
type page struct {
	Title, Draft, Telephone string
	Name, Who               string
	Facts                   []fact
	Verdict                 string
	Tags                    []string
	Headline                string
	Asks                    []fact
	Contradictions          []item
	State                   []fact
	Cautions                []string
	Timeline                template.HTML
	Plan                    *checklist
	Missing                 []string
	Unread                  []item
	Findings                []item
	Events                  []item
	Foot                    string
}

// HTML writes the document as one page for a screen or a printer, with nothing outside it and no script. It says what the
// PDF says; names and texts in scripts that the PDF's fonts lack stand here in full. The error is fault.Invalid where
// a.AsOf is not a calendar day.
func HTML(a assess.Assessment, f assess.Filter, r draft.Referral) ([]byte, error) {
	fig, err := screenFigure(a, f)
	if err != nil {
		return nil, err
	}
	var picture bytes.Buffer
	writeSVG(&picture, fig, false)
	v := newView(a, f, r, whole(a.Person.Name))
	t, err := template.New("page").Funcs(template.FuncMap{
		"prose":  prose,
		"number": func(i int) string { return strconv.Itoa(i + 1) },
	}).Parse(pageTemplate)
	if err != nil {
		return nil, fmt.Errorf("work-up: the page's template: %w", err)
	}
	var out bytes.Buffer
	err = t.Execute(&out, page{
		Title: title, Draft: draftWords, Telephone: v.telephone, Name: v.name, Who: v.who, Facts: v.facts, Verdict: v.verdict, Tags: v.tags,
		Headline: v.headline, Asks: v.asks, Contradictions: v.contradictions, State: v.state, Cautions: v.cautions,
		// Made here from escaped text; see writeSVG.
		Timeline: template.HTML(picture.String()), //nolint:gosec
		Plan:     v.plan, Missing: v.missing, Unread: v.unread, Findings: v.findings, Events: v.events, Foot: v.footLine,
	})
	if err != nil {
		return nil, fmt.Errorf("work-up: cannot write the page: %w", err)
	}
	return out.Bytes(), nil
}

// prose escapes a text and keeps its days from being broken at their hyphens.
func prose(text string) template.HTML {
	escaped := template.HTMLEscapeString(whole(text))
	return template.HTML(regexp.MustCompile(`\b\d{4}-\d{2}-\d{2}\b`).ReplaceAllString(escaped, `<span class="day">$0</span>`)) //nolint:gosec // escaped above
}
