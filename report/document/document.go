// Package document reads the tool's JSON documents strictly: a document names
// its schema in the field "schema", keeps to it, and holds no field that the
// program does not know.
//
// In: a JSON schema and bytes. Out: a filled value, or an error that names the
// line or the place that is wrong.
package document

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"sync"

	"github.com/santhosh-tekuri/jsonschema/v6"
)

// most bounds what Decode takes into memory. A finding is about 1 kB of JSON,
// so this is far beyond any take that a person could look through.
const most = 256 << 20 // bytes

// Kind is one kind of document.
type Kind struct {
	name, what string
	compiled   func() (*jsonschema.Schema, error)
}

// New makes a kind: name is the value of its field "schema", what is what a
// person calls it ("findings document"), schema its JSON schema (draft
// 2020-12).
func New(name, what string, schema []byte) *Kind {
	return &Kind{name, what, sync.OnceValues(func() (*jsonschema.Schema, error) {
		doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(schema))
		if err != nil {
			return nil, err
		}
		c := jsonschema.NewCompiler()
		c.AssertFormat()
		const url = "urn:setwitness:document"
		if err := c.AddResource(url, doc); err != nil {
			return nil, err
		}
		return c.Compile(url)
	})}
}

// Decode reads a document into v and holds it against the schema. It refuses
// fields that v does not know, so that a misspelt one is not lost in silence.
func (k *Kind) Decode(r io.Reader, v any) error {
	b, err := io.ReadAll(io.LimitReader(r, most+1))
	if err != nil {
		return err
	}
	if len(b) > most {
		return fmt.Errorf("larger than %d bytes", most)
	}
	var head struct {
		Schema *string `json:"schema"`
	}
	if err := json.Unmarshal(b, &head); err != nil {
		return jsonError(b, err)
	}
	switch {
	case head.Schema == nil:
		return fmt.Errorf("not a %s: it has no field \"schema\"", k.what)
	case *head.Schema != k.name:
		return fmt.Errorf("schema is %q, this program reads %q", *head.Schema, k.name)
	}
	d := json.NewDecoder(bytes.NewReader(b))
	d.DisallowUnknownFields()
	if err := d.Decode(v); err != nil {
		return jsonError(b, err)
	}
	return k.Validate(b)
}

// ReadFile reads a file by a decoder; an error names the file.
func ReadFile[T any](path string, decode func(io.Reader) (*T, error)) (*T, error) {
	r, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer r.Close()
	v, err := decode(r)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return v, nil
}

// Validate holds JSON against the schema and reports the first place that
// does not keep to it.
func (k *Kind) Validate(b []byte) error {
	schema, err := k.compiled()
	if err != nil {
		return fmt.Errorf("schema of %s: %w", k.name, err)
	}
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(b))
	if err != nil {
		return jsonError(b, err)
	}
	err = schema.Validate(doc)
	var invalid *jsonschema.ValidationError
	if !errors.As(err, &invalid) {
		return err
	}
	for len(invalid.Causes) > 0 {
		invalid = invalid.Causes[0]
	}
	return fmt.Errorf("at /%s: %s", strings.Join(invalid.InstanceLocation, "/"), invalid.BasicOutput().Error)
}

// Encode writes v as JSON. The same value always gives the same bytes.
func Encode(w io.Writer, v any) error {
	e := json.NewEncoder(w)
	e.SetIndent("", "  ")
	// The file is no part of a web page, and names stay legible.
	e.SetEscapeHTML(false)
	return e.Encode(v)
}

// jsonError tells the line of a fault in JSON.
func jsonError(b []byte, err error) error {
	var syntax *json.SyntaxError
	if errors.As(err, &syntax) {
		return fmt.Errorf("line %d: %w", line(b, syntax.Offset), err)
	}
	var kind *json.UnmarshalTypeError
	if errors.As(err, &kind) {
		return fmt.Errorf("line %d: %s is a JSON %s, not a %s", line(b, kind.Offset), kind.Field, kind.Value, kind.Type)
	}
	return errors.New(strings.TrimPrefix(err.Error(), "json: "))
}

func line(b []byte, offset int64) int {
	return 1 + bytes.Count(b[:min(int(offset), len(b))], []byte("\n"))
}
