package sandbox

import (
	"net/http"
	"slices"
	"strings"

	"github.com/tidwall/gjson"
)

// rewrite gives the JSON text of v with each whole string that change knows replaced. Everything else, also the order of
// members and the form of numbers, stays as it was. name is the element that holds v.
func rewrite(v gjson.Result, name string, change func(name, text string) (string, error)) (string, error) {
	if v.Type == gjson.String {
		text, err := change(name, v.String())
		if err != nil || text == v.String() {
			return v.Raw, err
		}
		return quote(text), nil
	}
	if !v.IsObject() && !v.IsArray() {
		return v.Raw, nil
	}
	var b strings.Builder
	var err error
	v.ForEach(func(k, x gjson.Result) bool {
		if b.Len() > 0 {
			b.WriteByte(',')
		}
		inner := name
		if v.IsObject() {
			b.WriteString(k.Raw + ":")
			inner = k.String()
		}
		var text string
		text, err = rewrite(x, inner, change)
		b.WriteString(text)
		return err == nil
	})
	if v.IsObject() {
		return "{" + b.String() + "}", err
	}
	return "[" + b.String() + "]", err
}

// resolveLocal replaces the temporary addresses of a transaction's entries by the identities they were given
// (http://hl7.org/fhir/R4/http.html#trules). A urn:uuid reference that no entry has fails the transaction. The links
// inside a narrative are left as they are.
func resolveLocal(body []byte, given map[string]string) ([]byte, error) {
	out, err := rewrite(gjson.ParseBytes(body), "", func(name, text string) (string, error) {
		if !slices.Contains([]string{"reference", "url", "valueUri", "valueUrl"}, name) {
			return text, nil // an identifier may have the same value and stays
		}
		if to, ok := given[text]; ok {
			return to, nil
		}
		if name == "reference" && strings.HasPrefix(text, "urn:uuid:") {
			return "", refuse(http.StatusBadRequest, "not-found", "a reference names an entry that the transaction lacks")
		}
		return text, nil
	})
	return []byte(out), err
}
