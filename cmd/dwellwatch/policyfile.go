package main

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"strconv"

	"dwellwatch/internal/policy"

	"go.yaml.in/yaml/v3"
)

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
	top := root.Content[0]
	if top.Kind != yaml.MappingNode {
		return "", nil, fmt.Errorf("the file: line %d: a mapping of keys is expected, such as name: alder-bay@1 and platelet_days: 14", top.Line)
	}
	var faults []error
	fault := func(at string, n *yaml.Node, text string) {
		faults = append(faults, fmt.Errorf("%s: line %d: %s", at, n.Line, text))
	}
	seen := map[string]bool{}
	var walk func(at string, n *yaml.Node)
	walk = func(at string, n *yaml.Node) {
		if at != "" && seen[at] {
			fault(at, n, "stands twice; write it once")
			return
		}
		seen[at] = true
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
		case at == "name":
			fault(at, n, "write a name, such as alder-bay@1")
		case n.Kind == yaml.ScalarNode && n.ShortTag() == "!!int":
			// YAML also has 0x10, 1_000 and 010, which two readers take for two numbers.
			number, err := strconv.Atoi(n.Value)
			if err != nil || strconv.Itoa(number) != n.Value {
				fault(at, n, "write a whole number in decimal digits, without a zero or a sign before it")
			}
			values[at] = number
		default:
			fault(at, n, "write a whole number")
		}
	}
	walk("", top)
	return name, values, errors.Join(faults...)
}
