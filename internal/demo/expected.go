package demo

import (
	"fmt"
	"strings"
)

// Row is the answer expected for one filter after one step, in the words of the assessment.
type Row struct {
	File    string // the step's file
	Patient string // Patient id
	// Filter counts the patient's filters from 1 in the order of placement. "0" is a step after which no filter is left,
	// and then every other answer is "-" or "none". "*" says that the row holds for each filter shown, because rules.md
	// does not settle whether one or two are shown.
	Filter          string
	Standing        string // "*" where rules.md does not settle it
	Placed          string // a day, "earliest..latest", "-" for null, "*" where rules.md does not settle it
	Window          string
	Indication      string
	Anticoagulation string // level
	Verdict         string
	Overdue         string // true | false | -
	Asked           string // none | requested | booked, before anything is drafted
	Task            string // priority of the Task drafted for it, or none
	To              string // clinic | coordinator | none
	Cites           string // the lines of rules.md that decide, by section
	Why             string // one plain sentence
}

const header = "file\tpatient\tfilter\tstanding\tplaced\twindow\tindication\tanticoagulation\tverdict\toverdue\tasked\ttask\tto\tcites\twhy"

// readExpected gives the rows of expected.tsv by file, in the order of the table.
func readExpected() (map[string][]Row, error) {
	body, err := hospital.ReadFile("hospital/expected.tsv")
	if err != nil {
		return nil, fmt.Errorf("demo hospital: %w", err)
	}
	lines := strings.Split(strings.TrimRight(string(body), "\n"), "\n")
	if lines[0] != header {
		return nil, fmt.Errorf("demo hospital: expected.tsv has another heading")
	}
	rows := map[string][]Row{}
	for i, line := range lines[1:] {
		c := strings.Split(line, "\t")
		if len(c) != strings.Count(header, "\t")+1 {
			return nil, fmt.Errorf("demo hospital: expected.tsv line %d has %d columns", i+2, len(c))
		}
		rows[c[0]] = append(rows[c[0]], Row{File: c[0], Patient: c[1], Filter: c[2], Standing: c[3], Placed: c[4], Window: c[5],
			Indication: c[6], Anticoagulation: c[7], Verdict: c[8], Overdue: c[9], Asked: c[10], Task: c[11], To: c[12],
			Cites: c[13], Why: c[14]})
	}
	return rows, nil
}
