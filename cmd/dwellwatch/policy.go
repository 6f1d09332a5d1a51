package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"slices"
	"strconv"
	"strings"
	"text/tabwriter"

	"dwellwatch"
	"dwellwatch/internal/policy"
	"dwellwatch/internal/rules"

	"go.yaml.in/yaml/v3"
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
	return `Each threshold is printed with its unit, the bounds within which a site may set it, and its source with how that is known: seen, second-hand, memory, practice (common, no source) or choice (ours). A policy file names what differs:

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

// policyFile is the name of a site's policy, "" for the one that ships.
type policyFile string

func (f policyFile) read() (policy.Policy, error) {
	p := policy.Default()
	if f == "" {
		return p, p.Check()
	}
	body, err := os.ReadFile(string(f))
	if err != nil {
		return p, err
	}
	name, values, err := readPolicy(body)
	if err == nil {
		p, err = p.With(name, values)
	}
	if err != nil {
		return p, fmt.Errorf("%s: %w", f, err)
	}
	return p, nil
}

// readPolicy gives the name and, by path, the numbers of a policy file.
func readPolicy(body []byte) (name string, values map[string]int, err error) {
	var root yaml.Node
	d := yaml.NewDecoder(bytes.NewReader(body))
	if err := d.Decode(&root); err != nil && !errors.Is(err, io.EOF) {
		return "", nil, err
	}
	if d.Decode(new(yaml.Node)) == nil {
		return "", nil, errors.New("a second document begins; a policy stands in one")
	}
	values = map[string]int{}
	if len(root.Content) == 0 {
		return "", values, nil
	}
	var faults []error
	var walk func(at string, n *yaml.Node)
	walk = func(at string, n *yaml.Node) {
		switch {
		case n.Kind == yaml.MappingNode:
			for i := 0; i+1 < len(n.Content); i += 2 {
				key := n.Content[i].Value
				if at != "" {
					key = at + "." + key
				}
				walk(key, n.Content[i+1])
			}
		case at == "name" && n.Kind == yaml.ScalarNode:
			name = n.Value
		case n.Kind == yaml.ScalarNode && n.ShortTag() == "!!int":
			number, err := strconv.Atoi(n.Value)
			if _, twice := values[at]; twice {
				err = errors.New("stands twice")
			}
			if err != nil {
				faults = append(faults, fmt.Errorf("%s: line %d: write a whole number, once", at, n.Line))
			}
			values[at] = number
		default:
			if at == "" {
				at = "the file"
			}
			faults = append(faults, fmt.Errorf("%s: line %d: write a whole number", at, n.Line))
		}
	}
	walk("", root.Content[0])
	return name, values, errors.Join(faults...)
}

// thresholdRow is a threshold as it is printed.
type thresholdRow struct {
	Key     string `json:"key"`
	Value   int    `json:"value"`
	Default int    `json:"default"`
	Unit    string `json:"unit"`
	Min     int    `json:"min"`
	Max     int    `json:"max"`
	Known   string `json:"known"`
	Source  string `json:"source"`
}

func printThresholds(out io.Writer, p policy.Policy, asJSON bool) error {
	shipped := policy.Default().Thresholds()
	w := tabwriter.NewWriter(out, 0, 4, 2, ' ', 0)
	if !asJSON {
		fmt.Fprintf(w, "Policy %s\n\nTHRESHOLD\tVALUE\tUNIT\tBOUNDS\tKNOWN\tSOURCE\n", p.Name)
	}
	for i, t := range p.Thresholds() {
		row := thresholdRow{t.Key, t.Value, shipped[i].Value, t.Unit, t.Min, t.Max, string(t.Known), t.Source}
		if asJSON {
			if err := printJSON(out, row); err != nil {
				return err
			}
			continue
		}
		value := strconv.Itoa(row.Value)
		if row.Value != row.Default {
			value += fmt.Sprintf(" (ships as %d)", row.Default)
		}
		fmt.Fprintf(w, "%s\t%s\t%s\t%d-%d\t%s\t%s\n", row.Key, value, row.Unit, row.Min, row.Max, row.Known, row.Source)
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
