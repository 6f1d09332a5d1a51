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
	Changed                 *changed
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

// HTML writes the first version of the document as one page for a screen or a printer, with nothing outside it and no script.
// It says what the PDF says; names and texts in scripts that the PDF's fonts lack stand here in full. The error is fault.Invalid
// where a.AsOf is not a calendar day.
func HTML(a assess.Assessment, f assess.Filter, r draft.Referral) ([]byte, error) {
	return Case{Assessment: a, Filter: f, Referral: r}.HTML()
}

// HTML writes any version of the document as a page, with the errors of the function of this name.
func (c Case) HTML() ([]byte, error) {
	p, t, err := c.page()
	if err != nil {
		return nil, err
	}
	var out bytes.Buffer
	if err := t.Execute(&out, p); err != nil {
		return nil, fmt.Errorf("work-up: cannot write the page: %w", err)
	}
	return out.Bytes(), nil
}

// Parts are the sections of the page, to be set into a page of somebody else. Each stands alone: its headings are h2 and h3, its
// words are escaped, it has no script and no style of its own. Style holds rules for the classes that the sections use and for
// nothing else but the custom properties of :root that they name. No id stands twice in all of them together; a page shows one case.
type Parts struct {
	Style    template.CSS
	Answer   template.HTML // telephone, who, what changed, contradictions, facts, verdict and what is asked
	Rests    template.HTML // what the verdict rests on
	Timeline template.HTML // the figure, inline SVG
	Plan     template.HTML // "" where the verdict has none
	Quality  template.HTML
	Appendix template.HTML
}

// Parts gives the sections of the page, with the errors of HTML.
func (c Case) Parts() (Parts, error) {
	p, t, err := c.page()
	if err != nil {
		return Parts{}, err
	}
	section := func(name string) template.HTML {
		var out bytes.Buffer
		if e := t.ExecuteTemplate(&out, name, p); e != nil && err == nil {
			err = fmt.Errorf("work-up: cannot write %s: %w", name, e)
		}
		return template.HTML(out.String()) //nolint:gosec // escaped by the template
	}
	parts := Parts{
		Style: template.CSS(section("style")), Answer: section("answer"), Rests: section("rests"), Timeline: section("timeline"), //nolint:gosec // our own
		Plan: section("plan"), Quality: section("quality"), Appendix: section("appendix"),
	}
	return parts, err
}

// page gives what the template shows, and the template.
func (c Case) page() (page, *template.Template, error) {
	fig, err := screenFigure(c.Assessment, c.Filter)
	if err != nil {
		return page{}, nil, err
	}
	var picture bytes.Buffer
	writeSVG(&picture, fig, false)
	v := newView(c, whole(c.Assessment.Person.Name))
	t, err := template.New("page").Funcs(template.FuncMap{
		"prose":  prose,
		"number": func(i int) string { return strconv.Itoa(i + 1) },
	}).Parse(pageTemplate)
	if err != nil {
		return page{}, nil, fmt.Errorf("work-up: the page's template: %w", err)
	}
	return page{
		Title: title, Draft: draftWords, Telephone: v.telephone, Changed: v.changed, Name: v.name, Who: v.who, Facts: v.facts, Verdict: v.verdict, Tags: v.tags,
		Headline: v.headline, Asks: v.asks, Contradictions: v.contradictions, State: v.state, Cautions: v.cautions,
		// Made here from escaped text; see writeSVG.
		Timeline: template.HTML(picture.String()), //nolint:gosec
		Plan:     v.plan, Missing: v.missing, Unread: v.unread, Findings: v.findings, Events: v.events, Foot: v.footLine,
	}, t, nil
}

// prose escapes a text and keeps its days from being broken at their hyphens.
func prose(text string) template.HTML {
	escaped := template.HTMLEscapeString(whole(text))
	return template.HTML(regexp.MustCompile(`\b\d{4}-\d{2}-\d{2}\b`).ReplaceAllString(escaped, `<span class="day">$0</span>`)) //nolint:gosec // escaped above
}
