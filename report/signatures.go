package report

import (
	"bytes"
	"encoding/base64"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"setwitness/detect/signature"
	"setwitness/report/document"
)

// SignaturesName is the value of the field "schema" of a file of signatures.
//
// The file is one JSON object: "schema"; "cols" and "rows" of the grid; "aspect",
// the picture's width over its height as displayed; "times_us" and, where they
// differ, "lives_us", whole microseconds for each picture: presentation time in
// the take, and when it was shown in life; "blocks", one base64 text (RFC 4648)
// for each picture, of the means of luma of its blocks, row by row, as
// little-endian 16-bit numbers in 1/256 of an 8-bit code, 65535 where it is not
// known.
const SignaturesName = "setwitness.signatures/2"

// olderSignatures is what files of a coarser grid are called, which cannot be
// brought into this one.
const olderSignatures = "setwitness.signatures/1"

// maxSignatures bounds what ReadSignatures takes into memory: three hours of
// pictures, 60 a second, are less.
const maxSignatures = 1 << 30 // bytes

type signatures struct {
	Schema string   `json:"schema"`
	Cols   int      `json:"cols"`
	Rows   int      `json:"rows"`
	Aspect float64  `json:"aspect"`
	Times  []int64  `json:"times_us"`
	Lives  []int64  `json:"lives_us,omitempty"`
	Blocks []string `json:"blocks"`
}

// EncodeSignatures writes a sequence as JSON.
func EncodeSignatures(w io.Writer, s *signature.Sequence) error {
	if err := s.Check(); err != nil {
		return fmt.Errorf("signatures: %w", err)
	}
	f := signatures{Schema: SignaturesName, Cols: signature.Cols, Rows: signature.Rows, Aspect: s.Aspect, Times: []int64{}, Blocks: []string{}}
	slowed := false
	var raw [2 * signature.Blocks]byte
	for i := range s.Len() {
		f.Times = append(f.Times, s.Times[i].Microseconds())
		f.Lives = append(f.Lives, s.Lives[i].Microseconds())
		slowed = slowed || s.Times[i] != s.Lives[i]
		for b, v := range s.At(i) {
			binary.LittleEndian.PutUint16(raw[2*b:], v)
		}
		f.Blocks = append(f.Blocks, base64.StdEncoding.EncodeToString(raw[:]))
	}
	if !slowed {
		f.Lives = nil
	}
	return json.NewEncoder(w).Encode(f)
}

// WriteSignatures writes a sequence to path as a whole.
func WriteSignatures(path string, s *signature.Sequence) error {
	return WriteFile(path, func(w io.Writer) error { return EncodeSignatures(w, s) })
}

// ReadSignatures reads what WriteSignatures wrote, and nothing that does not keep
// to it.
func ReadSignatures(path string) (*signature.Sequence, error) {
	return document.ReadFile(path, DecodeSignatures)
}

// DecodeSignatures is ReadSignatures for any reader.
func DecodeSignatures(r io.Reader) (*signature.Sequence, error) {
	b, err := io.ReadAll(io.LimitReader(r, maxSignatures+1))
	if err != nil {
		return nil, err
	}
	if len(b) > maxSignatures {
		return nil, fmt.Errorf("larger than %d bytes", maxSignatures)
	}
	var f signatures
	d := json.NewDecoder(bytes.NewReader(b))
	d.DisallowUnknownFields()
	if err := d.Decode(&f); err != nil {
		return nil, errors.New(strings.TrimPrefix(err.Error(), "json: "))
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return nil, errors.New("something follows the signatures")
	}
	n := len(f.Times)
	switch {
	case f.Schema == olderSignatures:
		return nil, fmt.Errorf("schema is %q, of a version that kept too little of each picture to be aligned with others: the take has to be scanned again", f.Schema)
	case f.Schema != SignaturesName:
		return nil, fmt.Errorf("schema is %q, this program reads %q", f.Schema, SignaturesName)
	case f.Cols != signature.Cols || f.Rows != signature.Rows:
		return nil, fmt.Errorf("a grid of %d by %d blocks, not %d by %d", f.Cols, f.Rows, signature.Cols, signature.Rows)
	case len(f.Blocks) != n:
		return nil, fmt.Errorf("%d pictures have %d signatures", n, len(f.Blocks))
	case f.Lives != nil && len(f.Lives) != n:
		return nil, fmt.Errorf("%d pictures have %d times in life", n, len(f.Lives))
	}
	s := &signature.Sequence{Aspect: f.Aspect, Values: make([]uint16, 0, n*signature.Blocks)}
	if s.Times, err = durations(f.Times); err != nil {
		return nil, err
	}
	if s.Lives = s.Times; f.Lives != nil {
		if s.Lives, err = durations(f.Lives); err != nil {
			return nil, err
		}
	}
	for i, text := range f.Blocks {
		raw, err := base64.StdEncoding.Strict().DecodeString(text)
		if err != nil || len(raw) != 2*signature.Blocks {
			return nil, fmt.Errorf("the signature of picture %d is not %d blocks in base64", i, signature.Blocks)
		}
		for k := 0; k < len(raw); k += 2 {
			s.Values = append(s.Values, binary.LittleEndian.Uint16(raw[k:]))
		}
	}
	return s, s.Check()
}

// durations turns microseconds into times.
func durations(us []int64) ([]time.Duration, error) {
	const most = int64(1<<63-1) / int64(time.Microsecond)
	out := make([]time.Duration, len(us))
	for i, v := range us {
		if v > most || v < -most {
			return nil, fmt.Errorf("the time of picture %d is %d us", i, v)
		}
		out[i] = time.Duration(v) * time.Microsecond
	}
	return out, nil
}
