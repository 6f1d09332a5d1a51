package main

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"strings"
	"testing"
	"time"

	"dwellwatch/internal/demo"
	"dwellwatch/internal/peertest"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/chromedp"
)

// tab is one person at a browser.
type tab struct {
	t    *testing.T
	ctx  context.Context
	base string
}

// browser starts a headless Chromium that ends with the test.
func browser(t *testing.T, base string) *tab {
	t.Helper()
	path := peertest.Browser(t)
	ctx, cancel := chromedp.NewContext(context.Background(), chromedp.WithAllocatorOptions(chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.Headless, chromedp.DisableGPU,
		chromedp.Flag("disable-background-networking", true), chromedp.Flag("disable-component-update", true), chromedp.Flag("disable-sync", true), chromedp.Flag("disable-quic", true)))
	t.Cleanup(cancel)
	b := &tab{t, ctx, base}
	b.do(chromedp.EmulateViewport(1280, 900))
	return b
}

// person opens a browser of its own for another person, with no cookies, and signs in.
func (b *tab) person(name, role string) *tab {
	b.t.Helper()
	ctx, cancel := chromedp.NewContext(b.ctx, chromedp.WithNewBrowserContext())
	b.t.Cleanup(cancel)
	p := &tab{b.t, ctx, b.base}
	p.do(chromedp.EmulateViewport(1280, 900))
	p.signIn(name, role)
	return p
}

func (b *tab) signIn(name, role string) {
	b.t.Helper()
	b.open("/signin")
	b.fill("#name", name)
	b.click("input[name=role][value=" + role + "]")
	b.submit("form[action='/signin/local'] button")
}

// do runs steps, each within half a minute: the machine may be busy with other tests.
func (b *tab) do(steps ...chromedp.Action[chromedp.Void]) {
	b.t.Helper()
	for _, s := range steps {
		err := b.limited(func(ctx context.Context) error { return chromedp.Do(ctx, s) })
		if err != nil {
			b.t.Fatalf("browser: %v\n%s", err, b.where())
		}
	}
}

// limited bounds a step in time once the browser runs; a limit on the first one would end the browser.
func (b *tab) limited(f func(context.Context) error) error {
	if chromedp.FromContext(b.ctx).Target == nil {
		return f(b.ctx)
	}
	ctx, cancel := context.WithTimeout(b.ctx, 30*time.Second)
	defer cancel()
	return f(ctx)
}

func (b *tab) where() string {
	text, _ := chromedp.Run(b.ctx, chromedp.Evaluate[string](`location.pathname + "\n" + document.body.innerText.slice(0, 1500)`))
	return text
}

// js evaluates an expression on the page.
func js[T any](b *tab, expression string) T {
	b.t.Helper()
	var out T
	err := b.limited(func(ctx context.Context) error {
		var err error
		out, err = chromedp.Run(ctx, chromedp.Evaluate[T](expression, chromedp.EvalAwaitPromise))
		return err
	})
	if err != nil {
		b.t.Fatalf("browser: %s: %v", expression[:min(len(expression), 200)], err)
	}
	return out
}

func (b *tab) open(path string) {
	b.t.Helper()
	b.do(chromedp.Navigate(b.base + path))
}

func (b *tab) click(css string) { b.t.Helper(); b.do(chromedp.Click(chromedp.CSS(css))) }

func (b *tab) fill(css, text string) {
	b.t.Helper()
	if !js[bool](b, fmt.Sprintf(`(e => { if (!e) return false; e.value = %q; return e.value === %q })(document.querySelector(%q))`, text, text, css)) {
		b.t.Fatalf("browser: %s takes no %q\n%s", css, text, b.where())
	}
}

// submit presses a button and waits for the page that follows.
func (b *tab) submit(css string) {
	b.t.Helper()
	js[bool](b, `window.before = true`)
	b.click(css)
	b.loaded()
}

// loaded waits until another page than the one marked is there.
func (b *tab) loaded() {
	b.t.Helper()
	for range 1500 {
		fresh, err := chromedp.Run(b.ctx, chromedp.Evaluate[bool](`!window.before && document.readyState === "complete"`))
		if err == nil && fresh {
			return
		}
		time.Sleep(20 * time.Millisecond)
	}
	b.t.Fatalf("browser: no page follows\n%s", b.where())
}

// text gives the words of the page, or of a part of it, with single spaces.
func (b *tab) text(css string) string {
	b.t.Helper()
	return strings.Join(strings.Fields(js[string](b, fmt.Sprintf(`[...document.querySelectorAll(%q)].map(e => e.innerText).join(" | ")`, css))), " ")
}

// says fails where a part of the page does not say all of these.
func (b *tab) says(css string, wanted ...string) {
	b.t.Helper()
	got := b.text(css)
	for _, w := range wanted {
		if !strings.Contains(strings.ToLower(got), strings.ToLower(w)) {
			b.t.Errorf("%s does not say %q:\n%s", css, w, got)
		}
	}
}

func (b *tab) saysNot(css string, unwanted ...string) {
	b.t.Helper()
	got := b.text(css)
	for _, w := range unwanted {
		if strings.Contains(strings.ToLower(got), strings.ToLower(w)) {
			b.t.Errorf("%s says %q:\n%s", css, w, got)
		}
	}
}

// filter opens the page of the first filter of a patient on the list, by name, and gives its path.
func (b *tab) filter(name string) string {
	b.t.Helper()
	b.open("/worklist")
	path := js[string](b, fmt.Sprintf(`[...document.querySelectorAll("a.name")].find(a => a.innerText === %q)?.getAttribute("href") ?? ""`, name))
	if path == "" {
		b.t.Fatalf("%s is not on the list:\n%s", name, b.where())
	}
	b.open(path)
	return path
}

// form opens the form of an action on the page of a filter.
func (b *tab) form(action string) string {
	b.t.Helper()
	css := "form[action$='/" + action + "']"
	js[bool](b, fmt.Sprintf(`(() => { const d = document.querySelector(%q).closest("details"); if (d) d.open = true; return true })()`, css))
	return css
}

// cookies gives those that the browser sends to the service.
func (b *tab) cookies() []*http.Cookie {
	b.t.Helper()
	found, err := chromedp.Run(b.ctx, func(ctx context.Context, t *chromedp.Target) (network.GetCookiesResult, error) {
		return cdp.Call(ctx, t, network.GetCookies, network.GetCookiesParams{URLs: []string{b.base + "/worklist"}})
	})
	if err != nil {
		b.t.Fatal(err)
	}
	var out []*http.Cookie
	for _, c := range found.Cookies {
		out = append(out, &http.Cookie{Name: c.Name, Value: c.Value})
	}
	return out
}

// look sets how the page is looked at.
func (b *tab) look(width, height int64, scheme, media string) {
	b.t.Helper()
	b.do(chromedp.EmulateViewport(width, height), chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := cdp.Call(ctx, t, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Media: media, Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}})
		return err
	}))
}

// accessible runs axe-core on the page with all rules and fails on every violation.
func (b *tab) accessible(axe, what string) {
	b.t.Helper()
	js[bool](b, axe+"; true")
	found := js[string](b, `axe.run(document, {resultTypes: ["violations"]}).then(r => JSON.stringify({passes: r.passes.length, violations: r.violations.map(v => ({rule: v.id, help: v.help, nodes: v.nodes.slice(0, 3).map(n => n.html.slice(0, 200) + " :: " + n.failureSummary)}))}))`)
	var result struct {
		Passes     int
		Violations []struct {
			Rule, Help string
			Nodes      []string
		}
	}
	if err := json.Unmarshal([]byte(found), &result); err != nil {
		b.t.Fatal(err)
	}
	for _, v := range result.Violations {
		b.t.Errorf("%s: axe %s: %s\n  %s", what, v.Rule, v.Help, strings.Join(v.Nodes, "\n  "))
	}
	if result.Passes < 15 {
		b.t.Errorf("%s: axe looked at %d rules only", what, result.Passes)
	}
}

// admitted feeds the invented hospital through record and doors, but for the patient whose filter is taken back.
func (h *house) admitted(t *testing.T) {
	t.Helper()
	patients, err := demo.Hospital()
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range patients {
		if len(p.Steps) > 1 {
			continue
		}
		var stored [][]byte
		for _, one := range pieces(p.Steps[0].Bundle) {
			stored = append(stored, send(t, http.MethodPut, h.peer.BaseURL+one.path, one.body))
		}
		send(t, http.MethodPost, h.doors.URL+"/fhir", transaction(stored))
	}
	h.atRest(t)
	h.echo(t)
}

// echo sends our own Tasks back through the doors, as a subscription of the record does.
func (h *house) echo(t *testing.T) {
	t.Helper()
	h.atRest(t)
	for _, raw := range h.ours(t, "Task") {
		var task struct{ ID string }
		if err := json.Unmarshal(raw, &task); err != nil {
			t.Fatal(err)
		}
		send(t, http.MethodPut, h.doors.URL+"/fhir/Task/"+task.ID, raw)
	}
	h.atRest(t)
}
