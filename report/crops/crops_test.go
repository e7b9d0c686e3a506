package crops

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"image"
	"image/png"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"setwitness/decode/picture"
	"setwitness/detect"
	"setwitness/report"
)

// fake is a take whose picture i has luma of 16 + i%200 with a gradient.
type fake struct {
	f       picture.Format
	missing map[int]bool
	fail    error
	fetched []int
}

func (s *fake) picture(i int) *picture.Picture {
	p := &picture.Picture{Index: i, Y: picture.New(s.f.W, s.f.H, s.f.Depth)}
	if s.f.ChromaX >= 0 {
		p.Cb = picture.New((s.f.W+1)>>s.f.ChromaX, (s.f.H+1)>>s.f.ChromaY, s.f.Depth)
		p.Cr = picture.New((s.f.W+1)>>s.f.ChromaX, (s.f.H+1)>>s.f.ChromaY, s.f.Depth)
		fill(&p.Cb, 120<<(s.f.Depth-8))
		fill(&p.Cr, 140<<(s.f.Depth-8))
	}
	for y := range s.f.H {
		for x := range s.f.W {
			v := 16 + (x+3*y+17*i)%200
			if s.f.Depth == 8 {
				p.Y.Pix[y*s.f.W+x] = uint8(v)
			} else {
				p.Y.Pix16[y*s.f.W+x] = uint16(v << (s.f.Depth - 8))
			}
		}
	}
	return p
}

func (s *fake) Fetch(ctx context.Context, wanted []Wanted, fn func(*picture.Picture) error) error {
	for _, w := range wanted {
		if err := ctx.Err(); err != nil {
			return err
		}
		if s.missing[w.Index] {
			continue
		}
		s.fetched = append(s.fetched, w.Index)
		if err := fn(s.picture(w.Index)); err != nil {
			return err
		}
	}
	return s.fail
}

// document makes one finding for each peak.
func document(f picture.Format, pictures int, at ...report.Peak) (*report.Findings, []report.Peak, []time.Duration) {
	r := &detect.Result{Format: f, Pictures: pictures}
	for i := range pictures {
		r.Times = append(r.Times, time.Duration(i)*20*time.Millisecond)
		r.Frames = append(r.Frames, i)
	}
	for i, p := range at {
		r.Events = append(r.Events, detect.Event{
			Kind: detect.Combing, Start: p.Picture, End: p.Picture, Peak: p.Picture,
			Region: p.Region, PeakRegion: p.Region, Strength: 90 - float64(i), Confidence: 0.9, Visibility: 90 - float64(i),
		})
	}
	doc, peaks := report.Build(report.Input{Result: r})
	return doc, peaks, r.Times
}

func load(t *testing.T, folder, name string) image.Image {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(folder, filepath.FromSlash(name)))
	if err != nil {
		t.Fatal(err)
	}
	img, err := png.Decode(bytes.NewReader(b))
	if err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	return img
}

func same(a, b image.Image, at image.Point) bool {
	for y := range b.Bounds().Dy() {
		for x := range b.Bounds().Dx() {
			if a.At(at.X+x, at.Y+y) != b.At(x, y) {
				return false
			}
		}
	}
	return true
}

func TestMake(t *testing.T) {
	f := format(1920, 1080, 8, "bt709")
	f.ChromaX, f.ChromaY = 1, 1
	src := &fake{f: f}
	doc, peaks, times := document(f, 10, report.Peak{Picture: 4, Region: image.Rect(400, 300, 560, 420)})
	folder := t.TempDir()
	shots, err := Make(context.Background(), folder, doc, peaks, f, times, src)
	if err != nil {
		t.Fatal(err)
	}
	if fmt.Sprint(src.fetched) != "[3 4 5]" {
		t.Errorf("fetched %v", src.fetched)
	}
	e := doc.Findings[0].Evidence
	whole := newConverter(f).window(src.picture(4), image.Rect(0, 0, 1920, 1080))

	// The crop is the raster itself with a margin all round.
	crop := load(t, folder, e.Crop)
	want := image.Rect(400-48, 300-36, 560+48, 420+36) // filled up to 256 by 192
	if crop.Bounds().Size() != want.Size() {
		t.Fatalf("crop of %v, want %v", crop.Bounds().Size(), want.Size())
	}
	for y := range want.Dy() {
		for x := range want.Dx() {
			if crop.At(x, y) != whole.At(want.Min.X+x, want.Min.Y+y) {
				t.Fatalf("crop differs from the raster at %d,%d", x, y)
			}
		}
	}

	// The context is reduced by a whole factor and marks the region.
	c := load(t, folder, e.Context)
	if c.Bounds().Size() != image.Pt(960, 540) {
		t.Fatalf("context of %v", c.Bounds().Size())
	}
	if got := c.At(200-3, 170); got != stripMark {
		t.Errorf("left of the region: %v, want the outline", got)
	}
	if got := c.At(240, 180); got == stripMark {
		t.Error("the outline covers the region")
	}

	// The strip shows three panels, each pixel twice as wide and high.
	s := load(t, folder, e.Strip)
	const k = 2
	pw, ph := want.Dx()*k, want.Dy()*k
	if s.Bounds().Size() != image.Pt(3*pw+4*panelGap, ph+2*panelGap) {
		t.Fatalf("strip of %v for panels of %dx%d", s.Bounds().Size(), pw, ph)
	}
	for i := range 3 {
		part := newConverter(f).window(src.picture(3+i), want)
		for y := range ph {
			for x := range pw {
				if s.At(panelGap+i*(pw+panelGap)+x, panelGap+y) != part.At(x/k, y/k) {
					t.Fatalf("panel %d differs at %d,%d", i, x, y)
				}
			}
		}
		got, err := png.Decode(bytes.NewReader(shots[0].Panels[i].Data))
		if err != nil || !same(got, part, image.Point{}) {
			t.Errorf("panel %d of the page differs from the raster (%v)", i, err)
		}
	}
	if shots[0].Window != want || shots[0].Context.W != 640 || len(doc.Warnings) != 0 {
		t.Errorf("window %v, context %dx%d, warnings %q", shots[0].Window, shots[0].Context.W, shots[0].Context.H, doc.Warnings)
	}
}

// The first and the last picture have a neighbour on one side only; odd sizes,
// fields, 10 bits and gray go through the same path.
func TestMakeEdges(t *testing.T) {
	odd := format(853, 479, 8, "")
	odd.ChromaX, odd.ChromaY = 1, 1
	fields := format(1920, 540, 10, "bt709")
	fields.ChromaX, fields.ChromaY, fields.Fields = 1, 1, true
	gray := format(64, 48, 12, "")
	gray.ChromaX, gray.ChromaY = -1, -1
	pqTake := format(320, 180, 10, "bt2020nc")
	pqTake.Colour.Transfer, pqTake.ChromaX, pqTake.ChromaY = pq, 1, 1
	for name, f := range map[string]picture.Format{"odd": odd, "fields": fields, "gray": gray, "pq": pqTake} {
		t.Run(name, func(t *testing.T) {
			whole := image.Rect(0, 0, f.W, f.H)
			corner := image.Rect(f.W-16, f.H-16, f.W, f.H)
			doc, peaks, times := document(f, 3, report.Peak{Picture: 0, Region: whole}, report.Peak{Picture: 2, Region: corner})
			folder := t.TempDir()
			shots, err := Make(context.Background(), folder, doc, peaks, f, times, &fake{f: f})
			if err != nil {
				t.Fatal(err)
			}
			for i := range doc.Findings {
				e := doc.Findings[i].Evidence
				crop := load(t, folder, e.Crop)
				load(t, folder, e.Context)
				load(t, folder, e.Strip)
				first := peaks[i].Picture == 0
				if first && crop.Bounds().Size() != whole.Size() {
					t.Errorf("crop of the whole picture is %v", crop.Bounds().Size())
				}
				if (shots[i].Panels[0].W == 0) != first || (shots[i].Panels[2].W == 0) == first || shots[i].Panels[1].W == 0 {
					t.Errorf("%s at picture %d: panels %d, %d, %d wide", doc.Findings[i].ID, peaks[i].Picture,
						shots[i].Panels[0].W, shots[i].Panels[1].W, shots[i].Panels[2].W)
				}
			}
		})
	}
}

func TestPixelAspect(t *testing.T) {
	for _, c := range []struct {
		fields   bool
		num, den int
		want     float64
	}{{false, 0, 0, 1}, {true, 0, 0, 0.5}, {false, 16, 15, 16.0 / 15}, {true, 8, 15, 8.0 / 15}} {
		f := format(720, 288, 8, "")
		f.Fields, f.SampleAspectNum, f.SampleAspectDen = c.fields, c.num, c.den
		if got := PixelAspect(f); got != c.want {
			t.Errorf("%+v: aspect is %g", c, got)
		}
	}
}

// Pictures that cannot be read again leave their findings without evidence
// and the others with theirs.
func TestMissingPictures(t *testing.T) {
	f := format(320, 180, 8, "")
	f.ChromaX, f.ChromaY = 1, 1
	r := image.Rect(100, 60, 160, 100)
	doc, peaks, times := document(f, 30, report.Peak{Picture: 5, Region: r}, report.Peak{Picture: 15, Region: r}, report.Peak{Picture: 25, Region: r})
	folder := t.TempDir()
	src := &fake{f: f, missing: map[int]bool{5: true, 14: true}, fail: errors.New("the file is gone")}
	shots, err := Make(context.Background(), folder, doc, peaks, f, times, src)
	if err != nil {
		t.Fatal(err)
	}
	for i, p := range peaks {
		e := doc.Findings[i].Evidence
		switch p.Picture {
		case 5:
			if e != (report.Evidence{}) || shots[i].Panels[1].W != 0 || shots[i].Panels[0].W != 0 {
				t.Errorf("lost peak: evidence %+v", e)
			}
		case 15:
			load(t, folder, e.Strip)
			if shots[i].Panels[0].W != 0 || shots[i].Panels[1].W == 0 {
				t.Error("lost neighbour: panels are wrong")
			}
		default:
			load(t, folder, e.Crop)
		}
	}
	if len(doc.Warnings) != 1 || !strings.Contains(doc.Warnings[0], "1 of 3") || !strings.Contains(doc.Warnings[0], "the file is gone") {
		t.Errorf("warnings %q", doc.Warnings)
	}
	if err := report.Write(filepath.Join(folder, "findings.json"), doc); err != nil {
		t.Error(err)
	}
}

func TestMakeStops(t *testing.T) {
	f := format(320, 180, 8, "")
	doc, peaks, times := document(f, 9, report.Peak{Picture: 5, Region: image.Rect(0, 0, 50, 50)})
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := Make(ctx, t.TempDir(), doc, peaks, f, times, &fake{f: f}); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
	blocked := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(blocked, nil, 0o644); err != nil {
		t.Fatal(err)
	}
	if _, err := Make(context.Background(), blocked, doc, peaks, f, times, &fake{f: f}); err == nil {
		t.Error("no error where the folder is a file")
	}
}

// Many findings: those of high rank are carried without loss, the next
// compressed, the rest not at all; the files are there for all.
func TestPageSize(t *testing.T) {
	f := format(64, 48, 8, "")
	f.ChromaX, f.ChromaY = -1, -1
	var at []report.Peak
	const n = picturedFindings + 10
	for i := range n {
		at = append(at, report.Peak{Picture: 2 * i, Region: image.Rect(10, 10, 40, 40)})
	}
	doc, peaks, times := document(f, 2*n+1, at...)
	folder := t.TempDir()
	shots, err := Make(context.Background(), folder, doc, peaks, f, times, &fake{f: f})
	if err != nil {
		t.Fatal(err)
	}
	for i, s := range shots {
		want := ""
		switch {
		case i < losslessFindings:
			want = "image/png"
		case i < picturedFindings:
			want = "image/jpeg"
		}
		if s.Panels[1].Type != want {
			t.Fatalf("finding %d has a panel of type %q, want %q", i, s.Panels[1].Type, want)
		}
		if _, err := os.Stat(filepath.Join(folder, doc.Findings[i].Evidence.Crop)); err != nil {
			t.Fatal(err)
		}
	}
}

// Whatever the region, the crop lies in the raster, holds what of the region
// lies in it, and the panel lies in the crop.
func TestWindows(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for range 2000 {
		f := format(1+rng.IntN(2000), 1+rng.IntN(1200), 8, "")
		x, y := rng.IntN(2400)-200, rng.IntN(1600)-200
		region := image.Rect(x, y, x+rng.IntN(2400), y+rng.IntN(1600))
		m := &maker{peaks: []report.Peak{{Region: region}}, raster: image.Rect(0, 0, f.W, f.H)}
		crop := m.crop(0)
		if crop.Empty() || !crop.In(m.raster) || !region.Intersect(m.raster).In(crop) {
			t.Fatalf("region %v in %v gives a crop of %v", region, m.raster, crop)
		}
		if p := panelWindow(crop, region); p.Empty() || !p.In(crop) {
			t.Fatalf("region %v, crop %v gives a panel of %v", region, crop, p)
		}
	}
}
