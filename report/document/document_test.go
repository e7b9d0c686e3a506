package document

import (
	"bytes"
	"strings"
	"testing"
)

const schema = `{"type": "object", "required": ["schema", "n"], "properties": {"schema": {"const": "test/1"}, "n": {"type": "integer", "minimum": 0}}}`

type value struct {
	Schema string `json:"schema"`
	N      int    `json:"n"`
}

func TestDecode(t *testing.T) {
	k := New("test/1", "test document", []byte(schema))
	for text, reason := range map[string]string{
		`{"schema": "test/1", "n": 3}`:                "",
		`{"schema": "test/2", "n": 3}`:                `schema is "test/2"`,
		`{"n": 3}`:                                    "not a test document",
		`{"schema": "test/1", "n": -3}`:               "at /n: ",
		`{"schema": "test/1"}`:                        "missing",
		`{"schema": "test/1", "n": 3, "more": 1}`:     "unknown field",
		"{\"schema\": \"test/1\",\n\"n\": \"three\"}": "line 2",
		"{\n\n,}":                        "line 3",
		`{"schema": "test/1", "n": 3} x`: "line 1",
		``:                               "line 1",
	} {
		var v value
		err := k.Decode(strings.NewReader(text), &v)
		switch {
		case reason == "" && (err != nil || v.N != 3):
			t.Errorf("%s: %v, %+v", text, err, v)
		case reason != "" && (err == nil || !strings.Contains(err.Error(), reason)):
			t.Errorf("%s: %v, want %q", text, err, reason)
		}
	}
	if err := New("test/1", "test document", []byte("{")).Validate([]byte(`{}`)); err == nil || !strings.Contains(err.Error(), "schema of test/1") {
		t.Errorf("a broken schema: %v", err)
	}
}

func TestEncode(t *testing.T) {
	var b bytes.Buffer
	if err := Encode(&b, map[string]string{"name": "a <b> & c"}); err != nil || b.String() != "{\n  \"name\": \"a <b> & c\"\n}\n" {
		t.Errorf("%v: %q", err, b.String())
	}
}
