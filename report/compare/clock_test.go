package compare_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"setwitness/detect"
	"setwitness/detect/signature"
	"setwitness/report"
	"setwitness/report/compare"
)

// moving is the signatures of some seconds of 25 pictures a second, from a time
// of a clip on in which a bright spot wanders over a ground; still is those of
// the ground alone.
func moving(from, seconds float64, still bool) *signature.Sequence {
	s := &signature.Sequence{Aspect: 16. / 9}
	r := rand.New(rand.NewPCG(uint64(from*1000), 5))
	for i := range int(math.Round(seconds * 25)) {
		t := float64(i) / 25
		s.Times = append(s.Times, time.Duration(t*float64(time.Second)))
		at := from + t
		x, y := 15.5+12*math.Sin(1.3*at+0.2*at*at), 8.5+7*math.Sin(2.1*at+1)
		for b := range signature.Blocks {
			v := 60 + 2*float64(b%signature.Cols) + r.NormFloat64()*0.05
			if d := math.Hypot(float64(b%signature.Cols)-x, float64(b/signature.Cols)-y); !still && d < 6 {
				v += 90 * (6 - d) / 6
			}
			s.Values = append(s.Values, uint16(v*signature.Unit8))
		}
	}
	s.Lives = s.Times
	return s
}

// dark is the signatures of a take in which next to nothing shows.
func dark(seconds float64) *signature.Sequence {
	s := moving(0, seconds, true)
	for i := range s.Values {
		s.Values[i] = 16*signature.Unit8 + s.Values[i]%3
	}
	return s
}

// stored is a scan of such a take, in a folder.
func stored(t *testing.T, s *signature.Sequence, findings ...report.Finding) *compare.Scan {
	t.Helper()
	scan := taken(findings...)
	seconds := float64(s.Len()) / 25
	scan.Doc.Take.DurationS, scan.Doc.Take.Frames, scan.Doc.Take.SHA256 = seconds, s.Len(), fmt.Sprintf("%064x", s.Len()*1000+len(findings))
	dir := t.TempDir()
	if err := report.Write(filepath.Join(dir, "findings.json"), scan.Doc); err != nil {
		t.Fatal(err)
	}
	if err := report.WriteSignatures(filepath.Join(dir, "signatures.json"), s); err != nil {
		t.Fatal(err)
	}
	out, err := compare.Load(dir)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// Takes that start at different times are laid beside each other by what their
// pictures hold.
func TestContent(t *testing.T) {
	before := stored(t, moving(10, 12, false), found(detect.Combing, 6, 20), found(detect.Combing, 9, 20))
	after := stored(t, moving(13, 8, false), found(detect.Combing, 3, 20), found(detect.Ghost, 1, 60))
	c, err := compare.Compare([]*compare.Scan{before}, []*compare.Scan{after}, compare.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if !c.Aligned || c.After[0].AlignedBy != compare.ByContent || math.Abs(c.After[0].CoversFromS-3) > 0.05 || math.Abs(c.After[0].CoversToS-11) > 0.05 {
		t.Fatalf("%+v", c.After[0])
	}
	want := map[string]compare.Verdict{"combing 6": compare.Persisting, "combing 9": compare.Fixed, "ghost 4": compare.New}
	for _, p := range c.Pairs {
		name := fmt.Sprintf("%s %.0f", p.Kind, p.StartS)
		if p.Verdict != want[name] {
			t.Errorf("%s: %s (%s), want %s", name, p.Verdict, p.Why, want[name])
		}
		delete(want, name)
	}
	if len(want) > 0 {
		t.Errorf("missing: %v", want)
	}
}

// A take that fits the first one nowhere is laid beside it by way of another
// pass: here the second shows the end of the first and the beginning of the
// third.
func TestByWayOf(t *testing.T) {
	scans := []*compare.Scan{
		stored(t, moving(10, 6, false), found(detect.Combing, 5, 20)),
		stored(t, moving(14, 7, false), found(detect.Combing, 1, 20)),
		stored(t, moving(18, 5, false), found(detect.Ghost, 1, 60)),
	}
	g := compare.Gather(scans)
	if w := g.Passes[2].AlignedWhy; g.Passes[2].AlignedBy != compare.ByContent || !strings.HasPrefix(w, "by way of ") || math.Abs(g.Passes[2].CoversFromS-8) > 0.05 {
		t.Errorf("%+v", g.Passes[2])
	}
	if len(g.Faults) != 2 || math.Abs(g.Faults[1].Start-9) > 0.05 {
		t.Errorf("%+v", g.Faults)
	}
}

// Takes of one source go by what their scans say of it, also a film in slow motion
// that begins in the middle, and one without a finding.
func TestAlignedToSource(t *testing.T) {
	to := func(s *compare.Scan, sha string, rate float64, spans ...report.AlignedSpan) *compare.Scan {
		return with(s, func(d *report.Findings) {
			d.Alignment = &report.Alignment{Path: "source.mp4", SHA256: strings.Repeat(sha, 64), Confidence: 1, Explained: 1, KnownShare: 1, Rate: rate, Spans: spans}
			d.Take.SHA256 = fmt.Sprintf("%064x", len(spans)*100+int(spans[0].StartS*10)+int(spans[0].SourceS))
		})
	}
	source := 107.1
	there := found(detect.Combing, 7, 20)
	there.SourceS = &source
	before := to(taken(there), "a", 1, report.AlignedSpan{StartS: 0, EndS: 20, SourceS: 100})
	// Three seconds of something else, then the source from 105 s on.
	clean := to(taken(), "a", 1, report.AlignedSpan{StartS: 3, EndS: 20, SourceS: 105})
	late := to(taken(), "a", 1, report.AlignedSpan{StartS: 3, EndS: 20, SourceS: 110})
	// Its end is that of 12.3 s of the source, and no more.
	short := with(to(taken(), "a", 1, report.AlignedSpan{StartS: 0, EndS: 12.3, SourceS: 94}), func(d *report.Findings) { d.Take.DurationS = 12.3 })
	other := to(taken(), "b", 1, report.AlignedSpan{StartS: 3, EndS: 20, SourceS: 105})
	other.Doc.Take.Frames++
	for name, c := range map[string]struct {
		after *compare.Scan
		want  compare.Verdict
		by    compare.Alignment
		from  float64
		to    float64
	}{
		"clean":          {clean, compare.Fixed, compare.BySource, 5, 22},
		"after it":       {late, compare.NotComparable, compare.BySource, 10, 27},
		"before it":      {short, compare.NotComparable, compare.BySource, -6, 6.3},
		"another source": {other, compare.NotComparable, compare.Unaligned, 0, 0},
	} {
		got, err := compare.Compare([]*compare.Scan{before}, []*compare.Scan{c.after}, compare.Options{})
		if err != nil {
			t.Fatal(err)
		}
		a := got.After[0]
		if p := got.Pairs[0]; p.Verdict != c.want || a.AlignedBy != c.by || math.Abs(a.CoversFromS-c.from) > 0.6 || math.Abs(a.CoversToS-c.to) > 0.01 || p.SourceS == nil || *p.SourceS != source {
			t.Errorf("%s: %s (%s), by %s from %g to %g s, %v", name, p.Verdict, p.Why, a.AlignedBy, a.CoversFromS, a.CoversToS, p.SourceS)
		}
	}
}

// What shows something else is not comparable, also where it is as long.
func TestOtherContent(t *testing.T) {
	before := stored(t, moving(10, 8, false), found(detect.Combing, 3, 20))
	after := stored(t, moving(300, 8, false))
	c, err := compare.Compare([]*compare.Scan{before}, []*compare.Scan{after}, compare.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if c.Aligned || c.Pairs[0].Verdict != compare.NotComparable || !strings.Contains(c.Pairs[0].Why, "by what its pictures hold") {
		t.Errorf("%+v", c)
	}
}

// In a picture that stands still, any time is any other.
func TestStill(t *testing.T) {
	before := stored(t, moving(10, 4, true), found(detect.NearBlackBanding, 0.2, 20))
	after := stored(t, moving(20, 6, true), found(detect.NearBlackBanding, 4, 20))
	c, err := compare.Compare([]*compare.Scan{before}, []*compare.Scan{after}, compare.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if !c.Aligned || len(c.Pairs) != 1 || c.Pairs[0].Verdict != compare.Persisting {
		t.Errorf("%+v", c)
	}
	// So it is in the dark of a room, where takes cannot be told from each other.
	if c, err = compare.Compare([]*compare.Scan{stored(t, dark(4), found(detect.NearBlackBanding, 0.2, 20))}, []*compare.Scan{stored(t, dark(5))}, compare.Options{}); err != nil ||
		!c.Aligned || c.Pairs[0].Verdict != compare.Fixed || !strings.Contains(c.After[0].AlignedWhy, "nothing tells") {
		t.Errorf("%v: %+v", err, c)
	}
	gone := stored(t, moving(20, 7, true))
	if c, err = compare.Compare([]*compare.Scan{after}, []*compare.Scan{gone}, compare.Options{}); err != nil || c.Pairs[0].Verdict != compare.Fixed {
		t.Errorf("%v: %+v", err, c)
	}
}
