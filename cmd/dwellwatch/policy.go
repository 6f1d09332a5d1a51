package main

import (
	"encoding/json"
	"fmt"
	"io"
	"io/fs"
	"path"
	"slices"
	"strconv"
	"strings"
	"text/tabwriter"

	"dwellwatch"
	"dwellwatch/internal/policy"
	"dwellwatch/internal/rules"

	"golang.org/x/tools/txtar"
)

// policyCommand prints what decides: the thresholds, or the rules.
type policyCommand struct {
	Policy policyFile `help:"Policy of the site, a YAML file: a name and the thresholds that differ." env:"DWELLWATCH_POLICY" placeholder:"FILE"`
	Rules  bool       `help:"Print the rules in place of the thresholds, each with its source and the stories that show it."`
	JSON   bool       `help:"Print JSON, one object per line."`
}

// Help is shown by policy --help.
func (*policyCommand) Help() string {
	return `Each threshold is printed with its unit, the bounds within which a site may set it, and its source with how that is known: seen, second-hand, memory, practice (common, no source) or choice (ours). A value that the site set is known as site, and the source of the shipped value stands behind it. A policy file names what differs:

  name: alder-bay@1
  platelet_days: 14
  due_days:
    routine: 21

Example: dwellwatch policy --policy alder-bay.yaml`
}

// Run prints thresholds or rules.
func (c *policyCommand) Run(io streams) error {
	if c.Rules {
		return printRules(io.out, c.JSON)
	}
	p, err := c.Policy.read()
	if err != nil {
		return usageError{fmt.Sprintf("%s: %v", setting("policy"), err)}
	}
	return printThresholds(io.out, p, c.JSON)
}

// thresholdRow is a threshold as it is printed. Where the site set the value, Known and Source are the site's, and those of the
// shipped value stand beside it: a source never stands behind a number that it does not give.
type thresholdRow struct {
	Key           string `json:"key"`
	Value         int    `json:"value"`
	Default       int    `json:"default"`
	Unit          string `json:"unit"`
	Min           int    `json:"min"`
	Max           int    `json:"max"`
	Known         string `json:"known"`
	Source        string `json:"source"`
	DefaultKnown  string `json:"defaultKnown"`
	DefaultSource string `json:"defaultSource"`
}

func printThresholds(out io.Writer, p policy.Policy, asJSON bool) error {
	shipped := policy.Default().Thresholds()
	w := tabwriter.NewWriter(out, 0, 4, 2, ' ', 0)
	if !asJSON {
		fmt.Fprintf(w, "Policy %s\n\nTHRESHOLD\tVALUE\tUNIT\tBOUNDS\tKNOWN\tSOURCE\n", p.Name)
	}
	for i, t := range p.Thresholds() {
		d := shipped[i]
		row := thresholdRow{t.Key, t.Value, d.Value, t.Unit, t.Min, t.Max, string(t.Known), t.Source, string(d.Known), d.Source}
		if asJSON {
			if err := printJSON(out, row); err != nil {
				return err
			}
			continue
		}
		value, source := strconv.Itoa(row.Value), row.Source
		if t.Known == policy.Site {
			value += fmt.Sprintf(" (ships as %d)", row.Default)
			source += fmt.Sprintf("; the shipped %d: %s", row.Default, row.DefaultKnown)
			if row.DefaultSource != "" {
				source += ", " + row.DefaultSource
			}
		}
		fmt.Fprintf(w, "%s\t%s\t%s\t%d-%d\t%s\t%s\n", row.Key, value, row.Unit, row.Min, row.Max, row.Known, source)
	}
	return w.Flush()
}

// ruleRow is a rule as it is printed.
type ruleRow struct {
	ID      string   `json:"id"`
	Title   string   `json:"title"`
	Known   string   `json:"known"`
	Source  string   `json:"source"`
	Stories []string `json:"stories"`
}

func printRules(out io.Writer, asJSON bool) error {
	told, err := storiesByRule()
	if err != nil {
		return err
	}
	for _, r := range rules.All() {
		row := ruleRow{r.ID, r.Title, string(r.Known), r.Source, told[r.ID]}
		if asJSON {
			if err := printJSON(out, row); err != nil {
				return err
			}
			continue
		}
		source := row.Source
		if source == "" {
			source = "no published source"
		}
		if _, err := fmt.Fprintf(out, "%s\n  %s\n  source (%s): %s\n  stories: %s\n\n", row.ID, row.Title, row.Known, source, strings.Join(row.Stories, ", ")); err != nil {
			return err
		}
	}
	return nil
}

func printJSON(out io.Writer, v any) error {
	body, err := json.Marshal(v)
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(out, "%s\n", body)
	return err
}

// storiesByRule lists, for each rule, the stories in which it speaks. They are those with which the program is tested.
func storiesByRule() (map[string][]string, error) {
	files, err := fs.Glob(dwellwatch.Stories(), "testdata/stories/*.txtar")
	if err != nil {
		return nil, err
	}
	told := map[string][]string{}
	for _, file := range files {
		body, err := fs.ReadFile(dwellwatch.Stories(), file)
		if err != nil {
			return nil, err
		}
		story := strings.TrimSuffix(path.Base(file), ".txtar")
		for _, section := range txtar.Parse(body).Files {
			if section.Name != "findings" {
				continue
			}
			for line := range strings.Lines(string(section.Data)) {
				if f := strings.Fields(line); len(f) > 1 && !slices.Contains(told[f[1]], story) {
					told[f[1]] = append(told[f[1]], story)
				}
			}
		}
	}
	return told, nil
}
