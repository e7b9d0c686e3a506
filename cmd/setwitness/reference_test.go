package main

import (
	"context"
	"path/filepath"
	"strings"
	"testing"

	"setwitness/decode"
	"setwitness/decode/picture"
	"setwitness/detect"
	"setwitness/detect/cells"
	"setwitness/detect/signing"
	"setwitness/report"
)

// sign makes the takes of a desk signed.
func (d *desk) sign() {
	d.stages = func() []*detect.Stage {
		return []*detect.Stage{cells.Stage, signing.Stage, markerStage(nil)}
	}
}

// drifting is a take in which a soft thing wanders before stripes.
func drifting(i int) picture.Plane {
	p := picture.New(160, 96, 8)
	for y := range p.H {
		for x := range p.W {
			dx, dy := x-30-i%97, y-20-(i*7)%53
			v := 60 + 40*(x/32%2)
			if dx*dx+dy*dy < 300 {
				v += 90
			}
			p.Pix[y*p.W+x] = uint8(v)
		}
	}
	return p
}

// A source that holds what the take holds is whose fault it is.
func TestScanWithSource(t *testing.T) {
	d := newDesk(t)
	d.sign()
	d.take.n, d.take.show = 150, drifting
	clip, source := d.clip(t, "take.mp4"), d.clip(t, "played.mp4")
	if code := run(d.factory, []string{"scan", "--from", "direct", "--source", source, clip}); code != exitDone {
		t.Fatalf("exit code %d, stderr %q", code, d.err)
	}
	doc, err := report.Read(filepath.Join(clip+".setwitness", findingsName))
	if err != nil {
		t.Fatal(err)
	}
	a := doc.Alignment
	if a == nil || a.Path != source || a.Why != "" || a.KnownShare < 0.99 || len(a.Spans) != 1 || a.Raster == nil {
		t.Fatalf("alignment is %+v", a)
	}
	f := doc.Findings[0]
	if f.Origin.Verdict != "source" || f.SourceS == nil || *f.SourceS != 0.06 {
		t.Errorf("origin is %+v at %v", f.Origin, f.SourceS)
	}
	if !strings.Contains(d.out.String(), "origin") || !strings.Contains(d.out.String(), "played.mp4: begins at") {
		t.Errorf("the table is\n%s", d.out)
	}
	if s, err := report.ReadSignatures(filepath.Join(clip+".setwitness", signaturesName)); err != nil || s.Len() != 150 {
		t.Errorf("signatures: %v", err)
	}
}

// A source that cannot be read ends the scan of a clip; one that is something
// else does not.
func TestScanWithoutUse(t *testing.T) {
	d := newDesk(t)
	d.sign()
	clip := d.clip(t, "take.mp4")
	if code := run(d.factory, []string{"scan", "--source", filepath.Join(d.dir, "bad.mp4"), clip}); code != exitUnusable {
		t.Errorf("exit code %d", code)
	}
	if got := d.err.String(); strings.Count(got, "\n") != 1 || !strings.Contains(got, "--source") {
		t.Errorf("stderr is %q", got)
	}
	if code := run(d.factory, []string{"scan", "--from", "direct", "--source", d.clip(t, "grey.mp4"), clip}); code != exitDone {
		t.Fatalf("exit code %d, stderr %q", code, d.err)
	}
	doc, err := report.Read(filepath.Join(clip+".setwitness", findingsName))
	if err != nil {
		t.Fatal(err)
	}
	if a := doc.Alignment; a == nil || a.Why == "" || doc.Findings[0].Origin.Verdict != "undetermined" || !strings.Contains(strings.Join(doc.Warnings, " "), "could not be aligned") {
		t.Errorf("alignment %+v, origin %+v, warnings %q", a, doc.Findings[0].Origin, doc.Warnings)
	}
}

// Where most of what a camera saw is mixed, a mixture is not the set's.
func TestSourceOfMixedExposures(t *testing.T) {
	for _, c := range []struct {
		known   bool
		trusted float64
		says    string
	}{
		{true, 0.9, ""},
		{true, 0.2, "20 % of the rows"},
		{false, 1, "not known"},
	} {
		if why := exposures(c.known, c.trusted); (why == "") != (c.says == "") || !strings.Contains(why, c.says) {
			t.Errorf("refresh known %t, %.1f trusted: %q", c.known, c.trusted, why)
		}
	}
}

// Where a set shows only every second picture of a source that moves on, the
// comparison alone tells: no stage of the scan looks for it here.
func TestScanFindsHalvedMotion(t *testing.T) {
	const n, from, to = 150, 60, 90
	halved := func(i int) int {
		if i >= from && i < to {
			return i - i%2
		}
		return i
	}
	for _, c := range []struct {
		name  string
		shows func(i int) int
		want  int
	}{
		{"halved", halved, 1},
		{"as it is", func(i int) int { return i }, 0},
	} {
		d := newDesk(t)
		d.sign()
		d.take.n = n
		d.stages = func() []*detect.Stage { return []*detect.Stage{cells.Stage, signing.Stage} }
		shown := func(path string) func(i int) picture.Plane {
			if strings.Contains(path, "played") {
				return drifting
			}
			return func(i int) picture.Plane { return drifting(c.shows(i)) }
		}
		d.open = func(path string, _ decode.Options) (take, error) {
			return &fakeTake{n: n, show: shown(path)}, nil
		}
		d.fetch = func(_ context.Context, path string, _ decode.Options, wanted []decode.Wanted, fn func(*picture.Picture) error) error {
			f := &fakeTake{n: n, show: shown(path)}
			for _, w := range wanted {
				if err := fn(f.picture(w.Index)); err != nil {
					return err
				}
			}
			return nil
		}
		clip, source := d.clip(t, "take.mp4"), d.clip(t, "played.mp4")
		if code := run(d.factory, []string{"scan", "--from", "direct", "--source", source, clip}); code != exitDone {
			t.Fatalf("%s: exit code %d, stderr %q", c.name, code, d.err)
		}
		doc, err := report.Read(filepath.Join(clip+".setwitness", findingsName))
		if err != nil {
			t.Fatal(err)
		}
		if len(doc.Findings) != c.want {
			t.Fatalf("%s: %d findings: %+v", c.name, len(doc.Findings), doc.Findings)
		}
		if c.want == 0 {
			continue
		}
		f := doc.Findings[0]
		if f.Kind != detect.CadenceBreak || f.Origin.Verdict != "set" || f.SourceS == nil || f.StartFrame < from || f.StartFrame > from+2 ||
			f.EndFrame > to || f.EndFrame < to-3 || f.Measures["period_pictures"] != 2 || f.Strength.Value < 14 {
			t.Errorf("%s: %+v", c.name, f)
		}
	}
}
