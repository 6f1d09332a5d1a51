package postgres

import "testing"

// TestContentDigest: one version told in another order and spacing is the same; another value, or the same number in
// other digits (FHIR keeps a decimal's precision: http://hl7.org/fhir/R4/datatypes.html#decimal), is not.
func TestContentDigest(t *testing.T) {
	t.Parallel()
	same := contentDigest([]byte(`{"a":1.50,"b":["x",{"c":null,"d":2}]}`))
	if contentDigest([]byte("{ \"b\": [\"x\", {\"d\":2, \"c\":null}],\n \"a\": 1.50 }")) != same {
		t.Error("order and spacing make another content")
	}
	for _, other := range []string{`{"a":1.5,"b":["x",{"c":null,"d":2}]}`, `{"a":1.50,"b":[{"c":null,"d":2},"x"]}`, `{"a":1.50}`, `not json`} {
		if contentDigest([]byte(other)) == same {
			t.Errorf("%s has the same digest", other)
		}
	}
}
