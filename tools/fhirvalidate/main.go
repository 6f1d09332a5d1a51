// Command fhirvalidate asks the R4 validator of github.com/google/fhir/go about resources, for tests: it reads one
// JSON resource per line from standard input and prints one line of JSON per resource,
//
//	{"resourceType":"Task","errors":["..."]}
//
// in the same order; errors is empty for a valid resource. It exits 0 if all are valid, 1 if any is not, 2 if the
// input cannot be read. It is a module of its own so that the validator's old dependencies stay out of the product,
// and it must never be part of it: the validator refuses fields it does not know, which real records have.
package main

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"strings"

	"github.com/google/fhir/go/fhirversion"
	"github.com/google/fhir/go/jsonformat"
)

// maxLine bounds one resource; a referral document with its PDF stays far below.
const maxLine = 64 << 20

// verdict is one line of output.
type verdict struct {
	ResourceType string   `json:"resourceType"`
	Errors       []string `json:"errors"`
}

func main() {
	valid, err := run(os.Stdin, os.Stdout)
	if err != nil {
		fmt.Fprintln(os.Stderr, "fhirvalidate:", err)
		os.Exit(2)
	}
	if !valid {
		os.Exit(1)
	}
}

// run validates every line of in and says whether all were valid. Blank lines are passed over.
func run(in io.Reader, out io.Writer) (bool, error) {
	unmarshaller, err := jsonformat.NewUnmarshaller("UTC", fhirversion.R4)
	if err != nil {
		return false, fmt.Errorf("set up the validator: %w", err)
	}
	lines := bufio.NewScanner(in)
	lines.Buffer(make([]byte, 0, 64<<10), maxLine)
	w := bufio.NewWriter(out)
	encoder := json.NewEncoder(w)
	encoder.SetEscapeHTML(false)
	valid := true
	for lines.Scan() {
		line := bytes.TrimSpace(lines.Bytes())
		if len(line) == 0 {
			continue
		}
		v := validate(unmarshaller, line)
		valid = valid && len(v.Errors) == 0
		if err := encoder.Encode(v); err != nil {
			return false, fmt.Errorf("write: %w", err)
		}
	}
	if err := lines.Err(); err != nil {
		return false, fmt.Errorf("read: %w", err)
	}
	if err := w.Flush(); err != nil {
		return false, fmt.Errorf("write: %w", err)
	}
	return valid, nil
}

// validate asks the validator about one resource.
func validate(unmarshaller *jsonformat.Unmarshaller, line []byte) verdict {
	var head struct {
		ResourceType string `json:"resourceType"`
	}
	v := verdict{Errors: []string{}}
	if err := json.Unmarshal(line, &head); err != nil {
		v.Errors = append(v.Errors, "not a JSON resource: "+err.Error())
		return v
	}
	v.ResourceType = head.ResourceType
	if _, err := unmarshaller.Unmarshal(line); err != nil {
		// The validator joins its faults by line feeds; its list type is internal to it.
		v.Errors = append(v.Errors, strings.Split(err.Error(), "\n")...)
	}
	return v
}
