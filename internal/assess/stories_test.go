package assess_test

import (
	"flag"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"golang.org/x/tools/txtar"

	"dwellwatch/internal/assess"
	"dwellwatch/internal/filter"
	"dwellwatch/internal/rules"
)

var update = flag.Bool("update", false, "write history and findings of the stories; never their expected answers")

const storyFolder = "../../testdata/stories"

// TestStories compares every story with the answer its writer worked out by hand from the rules (section expected), and
// with the history and findings recorded when it was last read by a person.
func TestStories(t *testing.T) {
	t.Parallel()
	b := basis(t)
	for _, path := range stories(t) {
		t.Run(strings.TrimSuffix(filepath.Base(path), ".txtar"), func(t *testing.T) {
			t.Parallel()
			archive, err := txtar.ParseFile(path)
			if err != nil {
				t.Fatal(err)
			}
			res := assessStory(t, archive, b)
			if diff := compareExpected(section(archive, "expected"), res); diff != "" {
				t.Errorf("%s\nexpected by hand (-want +got):\n%s\n%s", section(archive, "story.md"), diff, headlines(res))
			}
			for _, read := range []struct{ name, got string }{{"history", historyLines(res)}, {"findings", findingLines(res)}} {
				if *update {
					setSection(archive, read.name, read.got)
					continue
				}
				if diff := cmp.Diff(section(archive, read.name), read.got); diff != "" {
					t.Errorf("%s (-want +got):\n%s", read.name, diff)
				}
			}
			if *update {
				if err := os.WriteFile(path, txtar.Format(archive), 0o644); err != nil {
					t.Fatal(err)
				}
			}
		})
	}
}

// TestStoriesCoverVerdictsAndRules: every verdict is expected by some story, and every rule speaks in one.
func TestStoriesCoverVerdictsAndRules(t *testing.T) {
	t.Parallel()
	verdicts, spoken := map[string]bool{}, map[string]bool{}
	n := 0
	for _, path := range stories(t) {
		archive, err := txtar.ParseFile(path)
		if err != nil {
			t.Fatal(err)
		}
		n++
		for _, field := range strings.Fields(section(archive, "expected")) {
			if v, ok := strings.CutPrefix(field, "verdict="); ok {
				verdicts[v] = true
			}
		}
		for line := range strings.Lines(section(archive, "findings")) {
			if f := strings.Fields(line); len(f) > 1 {
				spoken[f[1]] = true
			}
		}
	}
	if n < 80 {
		t.Errorf("%d stories, want at least 80", n)
	}
	for _, v := range []rules.Verdict{rules.Refer, rules.Urgent, rules.Review, rules.Wait, rules.Keep, rules.Clarify, rules.Closed} {
		if !verdicts[string(v)] {
			t.Errorf("no story expects the verdict %s", v)
		}
	}
	for _, r := range rules.All() {
		if !spoken[r.ID] {
			t.Errorf("rule %s speaks in no story", r.ID)
		}
	}
}

// TestStoriesAreWellFormed: a name in words, three sentences, and an answer that names a verdict for every filter or says
// "none"; an empty answer would agree with anything.
func TestStoriesAreWellFormed(t *testing.T) {
	t.Parallel()
	name := regexp.MustCompile(`^[a-z0-9]+(_[a-z0-9]+)+\.txtar$`)
	for _, path := range stories(t) {
		archive, err := txtar.ParseFile(path)
		if err != nil {
			t.Fatal(err)
		}
		base := filepath.Base(path)
		if !name.MatchString(base) {
			t.Errorf("%s: the name is not words joined by underscores", base)
		}
		var sections []string
		for _, f := range archive.Files {
			sections = append(sections, f.Name)
		}
		slices.Sort(sections)
		if diff := cmp.Diff([]string{"asof", "bundle.json", "expected", "findings", "history", "story.md"}, sections); diff != "" {
			t.Errorf("%s: sections (-want +got):\n%s", base, diff)
		}
		sentences := strings.Split(strings.TrimSpace(section(archive, "story.md")), "\n")
		if len(sentences) != 3 || slices.ContainsFunc(sentences, func(s string) bool { return !strings.HasSuffix(s, ".") }) {
			t.Errorf("%s: story.md is not three sentences, one a line", base)
		}
		answer := strings.TrimSpace(section(archive, "expected"))
		for line := range strings.SplitSeq(answer, "\n") {
			if answer != "none" && !strings.HasPrefix(line, "verdict=") {
				t.Errorf("%s: expected %q names no verdict", base, line)
			}
		}
	}
}

func stories(t *testing.T) []string {
	t.Helper()
	list, err := filepath.Glob(storyFolder + "/*.txtar")
	if err != nil {
		t.Fatal(err)
	}
	return list
}

func section(a *txtar.Archive, name string) string {
	for _, f := range a.Files {
		if f.Name == name {
			return string(f.Data)
		}
	}
	return ""
}

func setSection(a *txtar.Archive, name, data string) {
	for i := range a.Files {
		if a.Files[i].Name == name {
			a.Files[i].Data = []byte(data)
			return
		}
	}
	a.Files = append(a.Files, txtar.File{Name: name, Data: []byte(data)})
}

func assessStory(t *testing.T, archive *txtar.Archive, b assess.Basis) assess.Result {
	t.Helper()
	day, err := filter.ParseDay(strings.TrimSpace(section(archive, "asof")))
	if err != nil {
		t.Fatal(err)
	}
	recs := assess.Split(resources(t, []byte(section(archive, "bundle.json"))))
	if len(recs) != 1 {
		t.Fatalf("a story is about one patient, this one about %d", len(recs))
	}
	return assess.Patient(recs[0], b, day)
}

// compareExpected compares the fields that a line names, one line per filter in order of placement; "none" where no filter
// is to be listed.
func compareExpected(expected string, res assess.Result) string {
	var want, got []string
	lines := strings.FieldsFunc(expected, func(r rune) bool { return r == '\n' })
	if slices.Equal(lines, []string{"none"}) {
		lines = nil
	}
	for i := range max(len(lines), len(res.Assessment.Filters)) {
		line := "(no further filter)"
		if i < len(lines) {
			line = strings.Join(strings.Fields(lines[i]), " ")
		}
		want = append(want, line)
		if i >= len(res.Assessment.Filters) {
			got = append(got, "(no further filter)")
			continue
		}
		all := answerOf(res, res.Assessment.Filters[i])
		var fields []string
		for _, field := range strings.Fields(line) {
			name, _, _ := strings.Cut(field, "=")
			value, known := all[name]
			if !known {
				value = "?"
			}
			fields = append(fields, name+"="+value)
		}
		got = append(got, strings.Join(fields, " "))
	}
	return cmp.Diff(want, got)
}

func answerOf(res assess.Result, f assess.Filter) map[string]string {
	task := "none"
	for _, w := range res.Wants() {
		if w.Key == f.Key && w.Reason == "" {
			task = w.Priority + ":" + string(w.To)
		}
	}
	all := map[string]string{"verdict": f.Verdict, "standing": f.Standing, "window": f.Window, "indication": f.Indication, "level": f.Anticoagulation.Level,
		"overdue": fmt.Sprint(f.Overdue), "reassessment-overdue": fmt.Sprint(f.ReassessmentOverdue), "emergency": fmt.Sprint(f.Emergency),
		"placed": days(f.Placed), "removed": days(f.Removed), "asked": f.Asked, "planned": f.PlannedIntent, "intent": f.Model.Intent, "model": strings.ReplaceAll(f.Model.Name, " ", "-"), "by": f.Model.By, "task": task}
	maps.Copy(all, planAnswer(f))
	return all
}

func historyLines(res assess.Result) string {
	var b strings.Builder
	for i, f := range res.Assessment.Filters {
		for _, e := range f.Events {
			when := days(&e.When)
			if when == "" {
				when = "day not known"
			}
			fmt.Fprintf(&b, "%d %s %s %s\n", i+1, when, e.What, strings.Join(e.Evidence, " "))
		}
		for _, c := range f.Contradictions {
			fmt.Fprintf(&b, "%d contradiction %s %s\n", i+1, c.Kind, strings.Join(c.Evidence, " "))
		}
	}
	for _, u := range res.Assessment.Unread {
		fmt.Fprintf(&b, "unread %s %s\n", u.Resource, u.Path)
	}
	return b.String()
}

func findingLines(res assess.Result) string {
	var b strings.Builder
	for i, f := range res.Assessment.Filters {
		for _, x := range f.Findings {
			fmt.Fprintf(&b, "%d %s %s\n", i+1, x.Rule, strings.Join(x.Evidence, " "))
		}
	}
	return b.String()
}
