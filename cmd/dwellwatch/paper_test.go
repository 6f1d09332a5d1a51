package main

import (
	"context"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
)

// broken gives the days that stand on two lines.
const broken = `(() => {
	const out = [], texts = document.createTreeWalker(document.querySelector("main"), NodeFilter.SHOW_TEXT);
	while (texts.nextNode()) for (const day of texts.currentNode.data.matchAll(/\d{4}-\d{2}-\d{2}/g)) {
		const range = document.createRange();
		range.setStart(texts.currentNode, day.index);
		range.setEnd(texts.currentNode, day.index + day[0].length);
		if (new Set([...range.getClientRects()].map(r => r.top)).size > 1) out.push(day[0]);
	}
	return out;
})()`

// thePhone: on a narrow screen the next step has the width of its card, no day is broken, and nothing sticks out of a card.
func thePhone(t *testing.T, _ *house, b *tab) {
	defer b.look(1280, 900, "light", "")
	for _, width := range []int64{320, 390, 500, 620} {
		b.look(width, 844, "light", "")
		b.open("/worklist")
		if n := js[int](b, `document.querySelectorAll("tr.line [data-label='Next step']").length`); n != 20 {
			t.Fatalf("%d next steps", n)
		}
		if share := js[float64](b, `Math.min(...[...document.querySelectorAll("tr.line [data-label='Next step']")].map(e => e.offsetWidth / e.parentElement.offsetWidth))`); share < 0.8 {
			t.Errorf("at %d pixels a next step has %.2f of the width of its card", width, share)
		}
		if list := js[[]string](b, broken); len(list) > 0 {
			t.Errorf("at %d pixels these days are broken: %v", width, list)
		}
		if list := js[[]string](b, `[...document.querySelectorAll("tr.line")].filter(e => e.scrollWidth > e.clientWidth).map(e => e.innerText)`); len(list) > 0 {
			t.Errorf("at %d pixels something sticks out of %q", width, list)
		}
	}
}

// thePaper: each printed page names the patient and says that it is a draft, the first one goes on to the time line, and no day is broken.
func thePaper(t *testing.T, _ *house, b *tab) {
	defer b.look(1280, 900, "light", "")
	b.filter("Rufus Nightingale-Crewe")
	paper, err := chromedp.Run(b.ctx, func(ctx context.Context, t *chromedp.Target) (page.PrintToPDFResult, error) {
		return cdp.Call(ctx, t, page.PrintToPDF, page.PrintToPDFParams{PaperWidth: 8.27, PaperHeight: 11.69})
	})
	if err != nil {
		t.Fatal(err)
	}
	pages := strings.Split(strings.TrimSuffix(plain(t, paper.Data), "\f"), "\f")
	if len(pages) < 2 || !strings.Contains(pages[0], "Time line") {
		t.Errorf("%d pages, the first:\n%s", len(pages), pages[0])
	}
	for i, text := range pages {
		if !strings.Contains(text, "Rufus Nightingale-Crewe · born 1959-08-08 · Patient/ab-14 · Draft for clinician review") {
			t.Errorf("page %d of %d does not name the patient:\n%s", i+1, len(pages), text)
		}
	}
	b.look(680, 1000, "light", "print")
	for _, path := range []string{"/worklist", js[string](b, `location.pathname`)} {
		b.open(path)
		if list := js[[]string](b, broken); len(list) > 0 {
			t.Errorf("on paper these days are broken: %v", list)
		}
	}
}
