package peertest

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
)

// object, array and scalar are a JSON text as it is written: encoding/json's maps would lose a key given twice.
type object []member

type member struct {
	key   string
	value any
}

type array []any

// scalar is a string, json.Number, bool or nil.
type scalar struct{ value any }

// get is the first value under a key, nil if there is none.
func (o object) get(key string) any {
	for _, m := range o {
		if m.key == key {
			return m.value
		}
	}
	return nil
}

func (o object) text(key string) string {
	return text(o.get(key))
}

// text is a JSON string's value, "" for anything else.
func text(value any) string {
	s, _ := value.(scalar)
	t, _ := s.value.(string)
	return t
}

func parseTree(raw []byte) (any, error) {
	decoder := json.NewDecoder(bytes.NewReader(raw))
	decoder.UseNumber()
	value, err := parseValue(decoder)
	if err != nil {
		return nil, err
	}
	if _, err := decoder.Token(); err != io.EOF {
		return nil, fmt.Errorf("more than one JSON value")
	}
	return value, nil
}

func parseValue(decoder *json.Decoder) (any, error) {
	token, err := decoder.Token()
	if err != nil {
		return nil, err
	}
	switch token {
	case json.Delim('{'):
		o := object{}
		for decoder.More() {
			key, err := decoder.Token()
			if err != nil {
				return nil, err
			}
			value, err := parseValue(decoder)
			if err != nil {
				return nil, err
			}
			o = append(o, member{fmt.Sprint(key), value})
		}
		_, err := decoder.Token()
		return o, err
	case json.Delim('['):
		a := array{}
		for decoder.More() {
			value, err := parseValue(decoder)
			if err != nil {
				return nil, err
			}
			a = append(a, value)
		}
		_, err := decoder.Token()
		return a, err
	}
	return scalar{token}, nil
}
