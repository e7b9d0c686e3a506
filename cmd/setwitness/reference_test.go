package main

import (
	"context"
	"image"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"setwitness/decode"
	"setwitness/decode/display"
	"setwitness/decode/picture"
	"setwitness/detect"
	"setwitness/detect/cells"
	"setwitness/detect/origin"
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
		{true, 0.2, "20 % of what they saw"},
		{false, 1, "not known"},
	} {
		if why := exposures(c.known, c.trusted); (why == "") != (c.says == "") || !strings.Contains(why, c.says) {
			t.Errorf("refresh known %t, %.1f trusted: %q", c.known, c.trusted, why)
		}
	}
}

// played makes a desk whose takes are one sequence and whose source is another,
// without a stage that leaves marks.
func played(t *testing.T, n int, shown, source func(i int) picture.Plane) *desk {
	d := newDesk(t)
	d.take.n = n
	d.stages = func() []*detect.Stage { return []*detect.Stage{cells.Stage, signing.Stage} }
	of := func(path string) *fakeTake {
		if strings.Contains(path, "played") {
			return &fakeTake{n: n, show: source}
		}
		return &fakeTake{n: n, show: shown}
	}
	d.open = func(path string, _ decode.Options) (take, error) { return of(path), nil }
	d.fetch = func(_ context.Context, path string, _ decode.Options, wanted []decode.Wanted, fn func(*picture.Picture) error) error {
		f := of(path)
		for _, w := range wanted {
			if err := fn(f.picture(w.Index)); err != nil {
				return err
			}
		}
		return nil
	}
	return d
}

// scanned is the document of the desk's take, scanned beside its source.
func (d *desk) scanned(t *testing.T) (doc *report.Findings, folder string) {
	t.Helper()
	clip, source := d.clip(t, "take.mp4"), d.clip(t, "played.mp4")
	if code := run(d.factory, []string{"scan", "--from", "direct", "--source", source, clip}); code != exitDone {
		t.Fatalf("exit code %d, stderr %q", code, d.err)
	}
	folder = clip + ".setwitness"
	doc, err := report.Read(filepath.Join(folder, findingsName))
	if err != nil {
		t.Fatal(err)
	}
	return doc, folder
}

// Where a set shows only every second picture of a source that moves on, the
// comparison alone tells: no stage of the scan looks for it here.
func TestScanFindsHalvedMotion(t *testing.T) {
	const n, from, to = 150, 60, 90
	for _, c := range []struct {
		name  string
		shows func(i int) int
		want  int
	}{
		{"halved", func(i int) int {
			if i >= from && i < to {
				return i - i%2
			}
			return i
		}, 1},
		{"as it is", func(i int) int { return i }, 0},
	} {
		doc, _ := played(t, n, func(i int) picture.Plane { return drifting(c.shows(i)) }, drifting).scanned(t)
		if len(doc.Findings) != c.want {
			t.Fatalf("%s: %d findings: %+v", c.name, len(doc.Findings), doc.Findings)
		}
		if doc.Reference == nil || doc.Reference.FollowedS < 2 {
			t.Errorf("%s: %+v", c.name, doc.Reference)
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

// A fifth of the picture before, mixed in for some pictures, is a ghost that the
// comparison tells by itself.
func TestScanFindsFaintGhost(t *testing.T) {
	const n, from, to, share = 120, 60, 66, 0.2
	mixed := func(i int) picture.Plane {
		p := drifting(i)
		if i < from || i >= to {
			return p
		}
		before := drifting(i - 1)
		for k, v := range before.Pix {
			p.Pix[k] = uint8(share*float64(v) + (1-share)*float64(p.Pix[k]) + 0.5)
		}
		return p
	}
	doc, _ := played(t, n, mixed, drifting).scanned(t)
	if len(doc.Findings) != 1 {
		t.Fatalf("%d findings: %+v", len(doc.Findings), doc.Findings)
	}
	const off = 4 // %
	f := doc.Findings[0]
	if f.Kind != detect.Ghost || f.Origin.Verdict != "set" || f.StartFrame != from || f.EndFrame != to-1 || math.Abs(f.Strength.Value-100*share) > off ||
		math.Abs(f.Measures["behind_pct"]-100*share) > off || f.VisibilityJND <= 0 {
		t.Errorf("%+v", f)
	}
}

// Beside a source of fields, whose fine lines are in every other one of them alone, a ghost is
// found as beside frames.
func TestScanFindsGhostBesideFields(t *testing.T) {
	const n, from, to = 120, 60, 66
	lined := func(i int) picture.Plane {
		p := drifting(i)
		for k := range p.Pix {
			if x, y := k%p.W, k/p.W; x > p.W/2 && y%2 == 1 {
				p.Pix[k] += 40
			}
		}
		return p
	}
	doubled := func(i int) picture.Plane {
		p := lined(i)
		if i >= from && i < to {
			for k, v := range lined(i - 1).Pix {
				p.Pix[k] = uint8((int(v) + 2*int(p.Pix[k])) / 3)
			}
		}
		return p
	}
	d := played(t, n, doubled, lined)
	open, fetch := d.open, d.fetch
	source := &fakeTake{n: n, show: lined, fields: true}
	d.open = func(path string, o decode.Options) (take, error) {
		if strings.Contains(path, "played") {
			again := *source
			return &again, nil
		}
		return open(path, o)
	}
	d.fetch = func(ctx context.Context, path string, o decode.Options, wanted []decode.Wanted, fn func(*picture.Picture) error) error {
		if !strings.Contains(path, "played") {
			return fetch(ctx, path, o, wanted, fn)
		}
		for _, w := range wanted {
			if err := fn(source.picture(w.Index)); err != nil {
				return err
			}
		}
		return nil
	}
	doc, _ := d.scanned(t)
	if len(doc.Findings) != 1 {
		t.Fatalf("%+v; beside it: %+v", doc.Findings, doc.Reference)
	}
	const share, off = 33, 4 // %
	if f := doc.Findings[0]; f.Kind != detect.Ghost || f.Origin.Verdict != "set" || f.StartFrame < from || f.EndFrame >= to || math.Abs(f.Measures["behind_pct"]-share) > off {
		t.Errorf("%+v", f)
	}
}

// woollen is a picture full of fine detail before which a soft thing wanders.
func woollen(i int) picture.Plane {
	p := picture.New(384, 256, 8)
	for y := range p.H {
		for x := range p.W {
			grain := uint32(x*7919+y*104729) * 2654435761
			grain = (grain ^ grain>>15) * 2246822519
			v := 60 + 30*(x/64%2) + int(grain>>26)
			if dx, dy := x-60-(5*i)%251, y-60-(i*7)%131; dx*dx+dy*dy < 1600 {
				v += 80
			}
			p.Pix[y*p.W+x] = uint8(v)
		}
	}
	return p
}

// Where a set smears a part of the picture, the document says where and by how
// much, and the folder and the page show the place in both.
func TestScanFindsLostDetail(t *testing.T) {
	const n = 60
	part := image.Rect(128, 64, 288, 192)
	var clean, smeared []picture.Plane
	for i := range n {
		p, q := woollen(i), woollen(i)
		for y := part.Min.Y; y < part.Max.Y; y++ {
			for x := part.Min.X; x < part.Max.X; x++ {
				sum := 0
				for j := -1; j <= 1; j++ {
					for k := -1; k <= 1; k++ {
						sum += int(p.Pix[(y+j)*p.W+x+k]) * (2 - j*j) * (2 - k*k)
					}
				}
				q.Pix[y*q.W+x] = uint8(sum / 16)
			}
		}
		clean, smeared = append(clean, p), append(smeared, q)
	}
	of := func(list []picture.Plane) func(i int) picture.Plane {
		return func(i int) picture.Plane { return list[i] }
	}
	d := played(t, n, of(smeared), of(clean))
	doc, folder := d.scanned(t)
	r := doc.Reference
	if r == nil || len(r.Differences) != 1 || len(r.Detail) != 4 || r.Looks < 4 {
		t.Fatalf("%+v", r)
	}
	q := r.Differences[0]
	x0, y0 := q.PeakRegion.X*384, q.PeakRegion.Y*256
	x1, y1 := x0+q.PeakRegion.W*384, y0+q.PeakRegion.H*256
	const off = 32 // a cell
	if q.What != "fine-detail" || x0 < 128-off || y0 < 64-off || x1 > 288+off || y1 > 192+off || q.AmplitudeCodes < 2 || q.VisibilityJND <= 0 || q.EndS < 0.9 {
		t.Errorf("%+v", q)
	}
	for _, name := range []string{q.Evidence.Take, q.Evidence.Source} {
		if info, err := os.Stat(filepath.Join(folder, filepath.FromSlash(name))); err != nil || info.Size() == 0 {
			t.Errorf("evidence %q: %v", name, err)
		}
	}
	html, err := os.ReadFile(filepath.Join(folder, pageName))
	if err != nil || !strings.Contains(string(html), "d001, fine detail lost: the place in the source") {
		t.Errorf("the page does not show it: %v", err)
	}
	if !strings.Contains(d.out.String(), "d001: ") {
		t.Errorf("the table is\n%s", d.out)
	}
	doc, _ = played(t, n, of(clean), of(clean)).scanned(t)
	if r := doc.Reference; r == nil || len(r.Differences) != 0 {
		t.Errorf("as it is: %+v", r)
	}
}

// What the exposures of a picture's rows saw of others tells what may be a mixture
// of the camera's; rows elsewhere, and those where nothing moves, do not.
func TestExposedAlone(t *testing.T) {
	run := func(to float64, picture int, mixed, still bool) display.Run {
		return display.Run{To: to, Picture: picture, Mixed: mixed, Still: still}
	}
	seen := []display.Seen{
		{Locked: true, Runs: []display.Run{run(0.5, 7, true, false), run(1, 7, false, false)}},
		{Locked: true, Runs: []display.Run{run(0.3, 8, true, false), run(1, 7, true, true)}},
		{Locked: false, Runs: []display.Run{run(1, 7, true, false)}},
	}
	for _, c := range []struct {
		number      int
		top, bottom float64
		want        float64
	}{
		{7, 0, 0.25, 0},
		{7, 0.5, 1, 1},
		{7, 0.25, 0.75, 0.7 / (0.7 + 0.3)},
		{3, 0, 1, 1},
	} {
		if got := exposedAlone(seen, c.number, c.top, c.bottom); math.Abs(got-c.want) > 1e-9 {
			t.Errorf("picture %d from %.2f to %.2f: %.3f, want %.3f", c.number, c.top, c.bottom, got, c.want)
		}
	}
	for kind, want := range map[detect.Kind]origin.Verdict{detect.Ghost: origin.Capture, detect.Combing: origin.Undetermined, detect.CadenceBreak: origin.Undetermined} {
		if got := explained(kind, true); got != want {
			t.Errorf("%s is %s", kind, got)
		}
		if got := explained(kind, false); got != origin.Undetermined {
			t.Errorf("%s of an unknown refresh is %s", kind, got)
		}
	}
}
