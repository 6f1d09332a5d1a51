package cdshooks

import (
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"testing"
	"unicode/utf16"

	"github.com/google/uuid"
)

// faultsOf holds an answer against the text and the invariants that HL7 publishes of CDS Hooks
// (HL7/cds-hooks, input/fsh/invariants and the pages on discovery, response and the use of JSON). They are read from the bytes,
// not by the types that wrote them.
func faultsOf(method, path string, status int, body []byte) []string {
	if method == http.MethodOptions || status == http.StatusOK && len(body) == 0 {
		return nil
	}
	var answer map[string]any
	if err := json.Unmarshal(body, &answer); err != nil {
		return []string{"the answer is no JSON object"}
	}
	if status != http.StatusOK {
		if answer["resourceType"] != "OperationOutcome" {
			return []string{"an error is told by an OperationOutcome"}
		}
		return nil
	}
	c := &checker{uuids: map[string]bool{}}
	c.useOfJSON("", answer)
	if method == http.MethodGet {
		c.discovery(answer)
	} else {
		c.response(answer)
	}
	return c.faults
}

type checker struct {
	faults []string
	uuids  map[string]bool
}

func (c *checker) wrong(format string, args ...any) {
	c.faults = append(c.faults, fmt.Sprintf(format, args...))
}

// useOfJSON: no null and nothing empty, but for an empty list of cards.
func (c *checker) useOfJSON(at string, v any) {
	switch v := v.(type) {
	case nil:
		c.wrong("%s is null", at)
	case string:
		if v == "" {
			c.wrong("%s is an empty text", at)
		}
	case []any:
		if len(v) == 0 && at != ".cards" && at != ".services" {
			c.wrong("%s is an empty list", at)
		}
		for i, e := range v {
			c.useOfJSON(fmt.Sprintf("%s[%d]", at, i), e)
		}
	case map[string]any:
		if len(v) == 0 {
			c.wrong("%s is an empty object", at)
		}
		for name, e := range v {
			c.useOfJSON(at+"."+name, e)
		}
	}
}

func (c *checker) discovery(answer map[string]any) {
	list, ok := answer["services"].([]any)
	if !ok {
		c.wrong("discovery has no services")
	}
	token := regexp.MustCompile(`\{\{([^}]*)\}\}`)
	for _, e := range list {
		s := e.(map[string]any)
		for _, name := range []string{"hook", "description", "id"} {
			if _, ok := s[name].(string); !ok {
				c.wrong("a service has no %s", name)
			}
		}
		templates, _ := s["prefetch"].(map[string]any)
		for key, t := range templates {
			text, ok := t.(string)
			if !ok {
				c.wrong("the template of %s is no text", key)
			}
			for _, m := range token.FindAllStringSubmatch(text, -1) {
				if m[1] != "context.patientId" {
					c.wrong("the template of %s has the token %s", key, m[1])
				}
			}
			for _, no := range []string{"_include", "_revinclude", "_has", ":not", "://", ".identifier"} {
				if strings.Contains(text, no) {
					c.wrong("the template of %s asks for %s, which few clients know", key, no)
				}
			}
		}
	}
}

func (c *checker) response(answer map[string]any) {
	list, ok := answer["cards"].([]any)
	if !ok {
		c.wrong("the answer has no list of cards")
	}
	if _, ok := answer["systemActions"]; ok {
		c.wrong("an action passes by the clinician")
	}
	for _, e := range list {
		c.card(e.(map[string]any))
	}
}

func (c *checker) card(card map[string]any) {
	summary, _ := card["summary"].(string)
	if n := len(utf16.Encode([]rune(summary))); n == 0 || n >= 140 {
		c.wrong("a summary has %d characters", n)
	}
	if i := card["indicator"]; i != "info" && i != "warning" && i != "critical" {
		c.wrong("the indicator is %v", i)
	}
	source, _ := card["source"].(map[string]any)
	if _, ok := source["label"].(string); !ok {
		c.wrong("a source has no label")
	}
	c.uuid("card", card["uuid"], true)
	detail, _ := card["detail"].(string)
	if regexp.MustCompile(`(^|[^\\])<[A-Za-z/!]`).MatchString(detail) {
		c.wrong("the detail holds HTML")
	}
	suggestions, _ := card["suggestions"].([]any)
	recommended := 0
	for _, e := range suggestions {
		s := e.(map[string]any)
		if s["isRecommended"] == true {
			recommended++
		}
		c.suggestion(s)
	}
	behaviour, has := card["selectionBehavior"]
	if len(suggestions) > 0 && behaviour != "at-most-one" && behaviour != "any" { // resp-6
		c.wrong("resp-6: suggestions without a selectionBehavior")
	}
	if has && len(suggestions) == 0 {
		c.wrong("a selectionBehavior without suggestions")
	}
	if behaviour == "at-most-one" && recommended > 1 {
		c.wrong("resp-1: two suggestions are recommended")
	}
	if _, ok := card["actionSelectionBehavior"]; ok {
		c.wrong("actionSelectionBehavior is for clients that are known to support it")
	}
	reasons, _ := card["overrideReasons"].([]any)
	for _, e := range reasons {
		if r := e.(map[string]any); r["display"] == nil || r["code"] == nil || r["system"] == nil {
			c.wrong("resp-4: an override reason lacks display, code or system")
		}
	}
	links, _ := card["links"].([]any)
	for _, e := range links {
		c.link(e.(map[string]any))
	}
}

func (c *checker) uuid(what string, v any, required bool) {
	text, ok := v.(string)
	if !ok {
		if required {
			c.wrong("a %s has no uuid", what)
		}
		return
	}
	if _, err := uuid.Parse(text); err != nil || c.uuids[text] {
		c.wrong("the uuid of a %s is none, or stands twice", what)
	}
	c.uuids[text] = true
}

func (c *checker) suggestion(s map[string]any) {
	if _, ok := s["label"].(string); !ok {
		c.wrong("a suggestion has no label")
	}
	c.uuid("suggestion", s["uuid"], true) // feedback names it
	actions, _ := s["actions"].([]any)
	for _, e := range actions {
		a := e.(map[string]any)
		if _, ok := a["description"].(string); !ok {
			c.wrong("resp-5: an action has no description")
		}
		resource, hasResource := a["resource"].(map[string]any)
		_, hasID := a["resourceId"]
		switch a["type"] {
		case "create", "update":
			if !hasResource || resource["resourceType"] == nil {
				c.wrong("an action has no resource")
			}
			// Ours: what a click makes is a draft.
			if resource["status"] != "draft" || resource["intent"] != "proposal" {
				c.wrong("an action makes more than a draft: %v %v", resource["status"], resource["intent"])
			}
		case "delete":
			if hasResource || !hasID {
				c.wrong("resp-2: a delete has a resource, or no resourceId")
			}
		default:
			c.wrong("the type of an action is %v", a["type"])
		}
	}
}

func (c *checker) link(l map[string]any) {
	address, _ := l["url"].(string)
	u, err := url.Parse(address)
	if err != nil || !slices.Contains([]string{"http", "https"}, u.Scheme) || u.Host == "" {
		c.wrong("a link is no absolute address")
	}
	if l["label"] == nil || l["type"] != "absolute" && l["type"] != "smart" {
		c.wrong("a link lacks its label or type")
	}
	if _, ok := l["appContext"]; ok && l["type"] != "smart" {
		c.wrong("resp-3: appContext is for smart links")
	}
	if strings.Contains(address, "ab-") || strings.Contains(address, "Patient") {
		c.wrong("a link names a patient")
	}
}

// TestTheCheckerFindsWhatItLooksFor: an answer with one fault of each kind is told of.
func TestTheCheckerFindsWhatItLooksFor(t *testing.T) {
	t.Parallel()
	const good = `{"summary":"s","indicator":"info","uuid":"0a3c3d6e-3f0f-4b8a-9a51-0d6f3b6f4d11","source":{"label":"l"}%s}`
	for want, more := range map[string]string{
		"":                   ``,
		"is null":            `,"detail":null`,
		"empty text":         `,"detail":""`,
		"empty list":         `,"links":[]`,
		"empty object":       `,"extension":{}`,
		"HTML":               `,"detail":"a <b>c</b>"`,
		"resp-1":             `,"selectionBehavior":"at-most-one","suggestions":[{"label":"a","uuid":"1a3c3d6e-3f0f-4b8a-9a51-0d6f3b6f4d11","isRecommended":true},{"label":"b","uuid":"2a3c3d6e-3f0f-4b8a-9a51-0d6f3b6f4d11","isRecommended":true}]`,
		"resp-2":             `,"selectionBehavior":"any","suggestions":[{"label":"a","uuid":"1a3c3d6e-3f0f-4b8a-9a51-0d6f3b6f4d11","actions":[{"type":"delete","description":"d","resource":{"resourceType":"Task"}}]}]`,
		"resp-3":             `,"links":[{"label":"l","url":"https://x.example/y","type":"absolute","appContext":"c"}]`,
		"resp-4":             `,"overrideReasons":[{"code":"c","system":"s"}]`,
		"resp-5":             `,"selectionBehavior":"any","suggestions":[{"label":"a","uuid":"1a3c3d6e-3f0f-4b8a-9a51-0d6f3b6f4d11","actions":[{"type":"create","resource":{"resourceType":"Task","status":"draft","intent":"proposal"}}]}]`,
		"resp-6":             `,"suggestions":[{"label":"a","uuid":"1a3c3d6e-3f0f-4b8a-9a51-0d6f3b6f4d11"}]`,
		"known to support":   `,"actionSelectionBehavior":"all"`,
		"more than a draft":  `,"selectionBehavior":"any","suggestions":[{"label":"a","uuid":"1a3c3d6e-3f0f-4b8a-9a51-0d6f3b6f4d11","actions":[{"type":"create","description":"d","resource":{"resourceType":"Task","status":"requested","intent":"order"}}]}]`,
		"no absolute":        `,"links":[{"label":"l","url":"/worklist","type":"absolute"}]`,
		"names a patient":    `,"links":[{"label":"l","url":"https://x.example/Patient/1","type":"absolute"}]`,
		"stands twice":       `,"selectionBehavior":"any","suggestions":[{"label":"a","uuid":"0a3c3d6e-3f0f-4b8a-9a51-0d6f3b6f4d11"}]`,
		"has 140 characters": ``,
	} {
		card := fmt.Sprintf(good, more)
		if want == "has 140 characters" {
			card = strings.Replace(card, `"summary":"s"`, `"summary":"`+strings.Repeat("x", 140)+`"`, 1)
		}
		got := faultsOf(http.MethodPost, "/", http.StatusOK, []byte(`{"cards":[`+card+`]}`))
		if want == "" && len(got) != 0 || want != "" && !strings.Contains(strings.Join(got, "\n"), want) {
			t.Errorf("%s: %v", want, got)
		}
	}
	for _, body := range []string{`{"cards":null}`, `{}`, `[]`, `{"cards":[],"systemActions":[{}]}`} {
		if len(faultsOf(http.MethodPost, "/", http.StatusOK, []byte(body))) == 0 {
			t.Errorf("%s has no fault", body)
		}
	}
	if len(faultsOf(http.MethodPost, "/", http.StatusOK, []byte(`{"cards":[]}`))) != 0 {
		t.Error("no card is a fault")
	}
}
