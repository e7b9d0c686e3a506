package report

import (
	"bytes"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"setwitness/detect/signature"
)

// signed is a sequence of n pictures, slowed by a factor.
func signed(n int, slower int64) *signature.Sequence {
	s := &signature.Sequence{Aspect: 16. / 9}
	for i := range n {
		life := time.Duration(i) * 20 * time.Millisecond
		s.Lives = append(s.Lives, life)
		s.Times = append(s.Times, life*time.Duration(slower))
		for b := range signature.Blocks {
			s.Values = append(s.Values, uint16(1000*i+7*b))
		}
		s.At(i)[3] = signature.Unknown
	}
	return s
}

func TestSignaturesComeBack(t *testing.T) {
	for name, s := range map[string]*signature.Sequence{"in real time": signed(5, 1), "slowed": signed(5, 8)} {
		path := filepath.Join(t.TempDir(), "signatures.json")
		if err := WriteSignatures(path, s); err != nil {
			t.Fatal(err)
		}
		got, err := ReadSignatures(path)
		if err != nil {
			t.Fatal(err)
		}
		if !reflect.DeepEqual(got, s) {
			t.Errorf("%s: %+v came back as %+v", name, s, got)
		}
	}
}

func TestSignaturesRefused(t *testing.T) {
	var b bytes.Buffer
	if err := EncodeSignatures(&b, signed(2, 8)); err != nil {
		t.Fatal(err)
	}
	good := b.String()
	for _, c := range []struct{ from, to, want string }{
		{"signatures/2", "signatures/3", "schema"},
		{"signatures/2", "signatures/1", "scanned again"},
		{`"cols":32`, `"cols":16`, "grid"},
		{`"cols"`, `"columns"`, "unknown field"},
		{`"times_us":[0,`, `"times_us":[0,0,`, "3 pictures have 2 signatures"},
		{`"lives_us":[0,`, `"lives_us":[0,0,`, "times in life"},
		{`"times_us":[0,160000]`, `"times_us":[1000000,160000]`, "backwards"},
		{`"times_us":[0,160000]`, `"times_us":[0,9223372036854775807]`, "us"},
		{`"blocks":["`, `"blocks":["!`, "base64"},
		{`"blocks":["`, `"blocks":["AAAA`, "base64"},
		{`"aspect":1.7`, `"aspect":-1.7`, "aspect"},
		{"}", "", "unexpected EOF"},
		{"}", "}{}", "follows"},
	} {
		bad := strings.Replace(good, c.from, c.to, 1)
		if bad == good {
			t.Fatalf("%q is not there", c.from)
		}
		if _, err := DecodeSignatures(strings.NewReader(bad)); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s for %s: error %v", c.to, c.from, err)
		}
	}
	if err := EncodeSignatures(&b, &signature.Sequence{Aspect: 1, Times: make([]time.Duration, 1)}); err == nil {
		t.Error("a sequence that does not hold together was written")
	}
}

// Whatever is read can be written and reads the same again.
func FuzzSignatures(f *testing.F) {
	for _, s := range []*signature.Sequence{signed(0, 1), signed(1, 1), signed(2, 8)} {
		var b bytes.Buffer
		if err := EncodeSignatures(&b, s); err != nil {
			f.Fatal(err)
		}
		f.Add(b.Bytes())
	}
	f.Add([]byte(`{"schema":"setwitness.signatures/2"`))
	f.Fuzz(func(t *testing.T, b []byte) {
		s, err := DecodeSignatures(bytes.NewReader(b))
		if err != nil {
			return
		}
		var again bytes.Buffer
		if err := EncodeSignatures(&again, s); err != nil {
			t.Fatal(err)
		}
		if got, err := DecodeSignatures(&again); err != nil || !reflect.DeepEqual(got, s) {
			t.Errorf("read again: %v", err)
		}
	})
}
