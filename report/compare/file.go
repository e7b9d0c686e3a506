package compare

import (
	"errors"
	"fmt"
	"io"
	"math"

	"setwitness/report"
	"setwitness/report/document"
)

var kind = document.New(SchemaName, "comparison", SchemaJSON)

// Encode writes the document as JSON. The same document always gives the same
// bytes.
func Encode(w io.Writer, c *Comparison) error {
	if err := c.check(); err != nil {
		return err
	}
	return document.Encode(w, c)
}

// Read reads a document and holds it against the schema.
func Read(path string) (*Comparison, error) {
	return document.ReadFile(path, Decode)
}

// Decode is Read for any reader.
func Decode(r io.Reader) (*Comparison, error) {
	c := &Comparison{}
	if err := kind.Decode(r, c); err != nil {
		return nil, err
	}
	if err := c.check(); err != nil {
		return nil, err
	}
	return c, nil
}

// Validate holds JSON against the schema and reports the first place that does
// not keep to it.
func Validate(b []byte) error { return kind.Validate(b) }

// check reports what no schema can say: that numbers are finite and in order,
// that counts fit each other, and that references lead to passes.
func (c *Comparison) check() error {
	ids := map[string]bool{}
	regressed := false
	for i := range c.Pairs {
		p := &c.Pairs[i]
		if err := p.check(len(c.Before), len(c.After)); err != nil {
			return fmt.Errorf("pair %d (%q): %w", i, p.ID, err)
		}
		if ids[p.ID] {
			return fmt.Errorf("pair %d: id %q is there twice", i, p.ID)
		}
		ids[p.ID] = true
		regressed = regressed || p.Regressed
	}
	if regressed != c.Regressed {
		return errors.New("it does not say of itself what its pairs say: whether something regressed")
	}
	return nil
}

func (p *Pair) check(before, after int) error {
	if !(p.StartS <= p.EndS) {
		return fmt.Errorf("it runs from %g to %g s", p.StartS, p.EndS)
	}
	if p.Regressed && p.Verdict != New && p.Verdict != Stronger {
		return fmt.Errorf("what is %s has not regressed", p.Verdict)
	}
	if r := p.Ratio; r != nil && !(r.Low <= r.Value && r.Value <= r.High && !math.IsInf(r.High, 0)) {
		return fmt.Errorf("a ratio of %g is not within %g to %g", r.Value, r.Low, r.High)
	}
	for _, s := range []struct {
		name   string
		side   Side
		passes int
	}{{"before", p.Before, before}, {"after", p.After, after}} {
		if s.side.Seen > s.side.Of || s.side.Of > s.passes {
			return fmt.Errorf("%s: seen in %d of %d of %d passes", s.name, s.side.Seen, s.side.Of, s.passes)
		}
		for _, r := range s.side.Findings {
			if r.Pass >= s.passes {
				return fmt.Errorf("%s: there is no pass %d", s.name, r.Pass)
			}
		}
		for _, u := range s.side.Unable {
			if u.Pass >= s.passes {
				return fmt.Errorf("%s: there is no pass %d", s.name, u.Pass)
			}
		}
	}
	return nil
}

// Write writes the document to path: to a temporary name first, so that a
// reader sees the old file or the whole new one.
func Write(path string, c *Comparison) error {
	return report.WriteFile(path, func(w io.Writer) error { return Encode(w, c) })
}
