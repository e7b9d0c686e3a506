package report

import (
	"bytes"
	"encoding/json"
	"flag"
	"image"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"testing/iotest"
	"time"

	"setwitness/decode/picture"
	"setwitness/detect"
	"setwitness/detect/vision"
)

var update = flag.Bool("update", false, "write the golden files")

// example is a take of 100 pictures at 50 a second with one finding of each
// kind that has a stage.
func example() Input {
	const n = 100
	r := &detect.Result{
		Format:     picture.Format{W: 1920, H: 1080, Depth: 8, RateNum: 50, RateDen: 1},
		Conditions: vision.Reference(vision.BT1886),
		Pictures:   n,
		Events: []detect.Event{
			{
				Kind: detect.CadenceBreak, Start: 80, End: 80, Peak: 80,
				Region: image.Rect(0, 0, 1920, 1080), PeakRegion: image.Rect(0, 0, 1920, 1080),
				Strength: 1, Confidence: 0.71, Visibility: 1, Pictures: 1,
			},
			{
				Kind: detect.Combing, Start: 20, End: 24, Peak: 22,
				Region: image.Rect(480, 270, 960, 540), PeakRegion: image.Rect(500, 300, 900, 540),
				Strength: 14.234567, Confidence: 0.93, Visibility: 2.3456789, Pictures: 5,
				Measures: map[string]float64{"pitch_lines": 2, "displacement_px": 6.123456789, "area_percent": math.NaN()},
			},
			{
				Kind: detect.Ghost, Start: 20, End: 21, Peak: 21,
				Region: image.Rect(0, 0, 64, 64), PeakRegion: image.Rect(0, 0, 64, 64),
				Strength: 31, Confidence: 0.6, Visibility: 12, Pictures: 2,
			},
		},
		Coverage: []detect.Coverage{
			{Kind: detect.Combing, State: detect.Examined, Seconds: 2, Floor: 2.1},
			{Kind: detect.Ghost, State: detect.Limited, Seconds: 1.2, Floor: 8, Why: "little motion"},
			{Kind: detect.CadenceBreak, State: detect.NotExaminable, Why: "no motion"},
		},
		Cadence: []detect.CadenceRun{{Start: 0, End: 60, Pattern: "1:1", NewPerS: 50}, {Start: 60, End: n, Pattern: "static"}},
	}
	for i := range n {
		r.Times = append(r.Times, time.Duration(i)*20*time.Millisecond)
		r.Frames = append(r.Frames, i)
	}
	return Input{
		Version: "0.0.0-test",
		Created: time.Date(2026, 3, 4, 5, 6, 7, 8, time.UTC),
		Take: Take{
			Path: "match & <replay>.mp4", SHA256: strings.Repeat("0f", 32), Container: "mov,mp4", Codec: "h264",
			PixelFormat: "yuv420p", Width: 1920, Height: 1080, FrameRate: "50/1", Scan: Progressive,
			Transfer: "bt709", Primaries: "bt709", Matrix: "bt709", Range: "limited", DurationS: 2, Frames: n,
		},
		Result:   r,
		Settings: map[string]string{"film mode": "off", "set": "A <prototype> & \"friends\""},
		Warnings: []string{"2 packets could not be decoded, the first at 1.2 s"},
	}
}

func TestGolden(t *testing.T) {
	f, _ := Build(example())
	var b bytes.Buffer
	if err := Encode(&b, f); err != nil {
		t.Fatal(err)
	}
	golden := filepath.Join("testdata", "findings.golden.json")
	if *update {
		if err := os.WriteFile(golden, b.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(b.Bytes(), want) {
		t.Errorf("the document differs from %s; run with -update and look at the difference\n%s", golden, b.Bytes())
	}
	if err := Validate(want); err != nil {
		t.Errorf("golden document against the schema: %v", err)
	}
}

func TestBuild(t *testing.T) {
	f, peaks := Build(example())
	// Listed by rank, numbered by time.
	var order []string
	for i, n := range f.Findings {
		order = append(order, n.ID+" "+string(n.Kind))
		if peaks[i].ID != n.ID || peaks[i].Kind != n.Kind {
			t.Errorf("peak %d is that of %s, finding of %s", i, peaks[i].ID, n.ID)
		}
		if i > 0 && n.rank() > f.Findings[i-1].rank() {
			t.Errorf("%s ranks above the one before it", n.ID)
		}
	}
	if got := strings.Join(order, ", "); !strings.Contains(got, "f001 combing") || !strings.Contains(got, "f002 ghost") || !strings.Contains(got, "f003 cadence-break") {
		t.Errorf("order is %s", got)
	}
	var comb Finding
	var peak Peak
	for i := range f.Findings {
		if f.Findings[i].Kind == detect.Combing {
			comb, peak = f.Findings[i], peaks[i]
		}
	}
	// 5 pictures of 20 ms from 0.4 s.
	if comb.StartS != 0.4 || comb.PeakS != 0.44 || comb.EndS != 0.5 || comb.StartFrame != 20 || comb.EndFrame != 24 {
		t.Errorf("combing from %g to %g s, frames %d to %d", comb.StartS, comb.EndS, comb.StartFrame, comb.EndFrame)
	}
	if comb.Region != (Region{0.25, 0.25, 0.25, 0.25}) {
		t.Errorf("region is %+v", comb.Region)
	}
	if peak.Picture != 22 || peak.Region != image.Rect(500, 300, 900, 540) {
		t.Errorf("peak is %+v", peak)
	}
	if _, ok := comb.Measures["area_percent"]; ok {
		t.Error("a measure that is no number is in the document")
	}
	if comb.Strength != (Quantity{14.235, "%"}) {
		t.Errorf("strength is %+v", comb.Strength)
	}
	if len(f.Coverage) != len(detect.Kinds) {
		t.Fatalf("%d coverage rows", len(f.Coverage))
	}
	for i, k := range detect.Kinds {
		c := f.Coverage[i]
		if c.Kind != k {
			t.Errorf("row %d is %s, want %s", i, c.Kind, k)
		}
		if i >= 3 && (c.State != detect.NotExaminable || c.Why != NotBuilt || c.Floor != nil) {
			t.Errorf("row of %s: %+v", k, c)
		}
	}
}

// Two fields of one frame share its number.
func TestBuildFields(t *testing.T) {
	in := example()
	in.Result.Format.H, in.Result.Format.Fields = 540, true
	for i := range in.Result.Frames {
		in.Result.Frames[i] = i / 2
	}
	for i := range in.Result.Events {
		in.Result.Events[i].Region = image.Rect(0, 0, 960, 270)
		in.Result.Events[i].PeakRegion = image.Rect(0, 0, 960, 270)
	}
	f, _ := Build(in)
	for _, n := range f.Findings {
		if n.Region != (Region{0, 0, 0.5, 0.5}) {
			t.Errorf("%s: region is %+v", n.ID, n.Region)
		}
		if n.Kind == detect.Combing && (n.StartFrame != 10 || n.EndFrame != 12) {
			t.Errorf("frames %d to %d, want 10 to 12", n.StartFrame, n.EndFrame)
		}
	}
}

// What cannot be: times that run backwards, a region past the raster, no
// rate. The document has to stay valid.
func TestBuildHostile(t *testing.T) {
	in := example()
	r := in.Result
	r.Format.RateNum, r.Format.RateDen = 0, 0
	for i := range r.Times {
		r.Times[i] = time.Duration(100-i) * time.Hour
	}
	r.Events[0].Region = image.Rect(-50, -50, 9000, 9000)
	r.Events[0].Confidence = 1.5
	r.Events[1].Region = image.Rectangle{}
	r.Coverage[0] = detect.Coverage{Kind: detect.Combing, Seconds: -3}
	f, _ := Build(in)
	var b bytes.Buffer
	if err := Encode(&b, f); err != nil {
		t.Fatal(err)
	}
	if err := Validate(b.Bytes()); err != nil {
		t.Error(err)
	}
	if f.Coverage[0].State != detect.NotExaminable {
		t.Errorf("a kind whose stage claims nothing is %q", f.Coverage[0].State)
	}
}

// A take of a screen, with everything that is said of the camera.
func filmed() Input {
	in := example()
	in.View = &View{
		Kind: "screen", Why: "a lit quadrilateral", Raster: Raster{1920, 1080}, RefreshHz: 50, DisplayedFrames: 100, MixedFrames: 70, CameraPxPerLine: 1.1,
		Corners: [][2]float64{{100, 80}, {1200.5, 90}, {1190, 700}, {95, 690.25}},
		Camera: &Camera{
			Capture: "240 frames a second", Refresh: "50 new pictures a second", FramesPerPicture: 4.8,
			ExposureMs: 2, DownMs: -9, AcrossMs: 0.1, Border: PanelBorder, CornersConfidence: 0.9, CornersSpreadPx: 0.2, SwayPx: 8, CarriedFrames: 3, TrustedShare: 0.99,
			NoiseCodes: 0.4,
			Sample: &Sample{
				Frame: 105, TimeS: 0.4375, Corners: [4][2]float64{{101, 80}, {1200.5, 90}, {1190, 700}, {95, 690.25}},
				Camera: "crops/camera.png", Picture: "crops/screen.png",
			},
		},
	}
	return in
}

// The document of a take of a screen keeps to the schema and comes back whole.
func TestScreen(t *testing.T) {
	in := example()
	in.DirectWhy = "no border shows"
	if f, _ := Build(in); f.View.Kind != "direct" || f.View.Why != in.DirectWhy {
		t.Errorf("a direct take is seen as %+v", f.View)
	}
	f, _ := Build(filmed())
	var b bytes.Buffer
	if err := Encode(&b, f); err != nil {
		t.Fatal(err)
	}
	back, err := Decode(bytes.NewReader(b.Bytes()))
	if err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(back.View, f.View) {
		t.Errorf("%+v came back as %+v", f.View, back.View)
	}
	for name, spoil := range map[string]func(*Camera){
		"confidence": func(c *Camera) { c.CornersConfidence = 1.5 },
		"border":     func(c *Camera) { c.Border = "wood" },
		"share":      func(c *Camera) { c.TrustedShare = -1 },
		"path":       func(c *Camera) { c.Sample.Picture = "../screen.png" },
	} {
		f, _ := Build(filmed())
		spoil(f.View.Camera)
		var b bytes.Buffer
		if err := Encode(&b, f); err != nil {
			continue
		}
		if err := Validate(b.Bytes()); err == nil {
			t.Errorf("a document with a wrong %s is taken", name)
		}
	}
}

func TestWriteAndRead(t *testing.T) {
	f, _ := Build(example())
	path := filepath.Join(t.TempDir(), "findings.json")
	for range 2 { // the second replaces the first
		if err := Write(path, f); err != nil {
			t.Fatal(err)
		}
	}
	back, err := Read(path)
	if err != nil {
		t.Fatal(err)
	}
	var a, b bytes.Buffer
	if err := Encode(&a, f); err != nil {
		t.Fatal(err)
	}
	if err := Encode(&b, back); err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(a.Bytes(), b.Bytes()) {
		t.Error("the document read back differs")
	}
	entries, _ := os.ReadDir(filepath.Dir(path))
	if len(entries) != 1 {
		t.Errorf("%d files in the folder, want the document alone", len(entries))
	}
}

// A write that fails leaves the old document and nothing else.
func TestWriteFails(t *testing.T) {
	f, _ := Build(example())
	path := filepath.Join(t.TempDir(), "findings.json")
	if err := Write(path, f); err != nil {
		t.Fatal(err)
	}
	before, _ := os.ReadFile(path)
	f.Findings[0].VisibilityJND = math.NaN()
	if err := Write(path, f); err == nil {
		t.Fatal("a document with no number was written")
	}
	after, _ := os.ReadFile(path)
	entries, _ := os.ReadDir(filepath.Dir(path))
	if !bytes.Equal(before, after) || len(entries) != 1 {
		t.Errorf("after a failed write: %d files, unchanged %v", len(entries), bytes.Equal(before, after))
	}
}

func TestDecodeErrors(t *testing.T) {
	good, err := os.ReadFile(filepath.Join("testdata", "findings.golden.json"))
	if err != nil {
		t.Fatal(err)
	}
	edit := func(change func(doc map[string]any)) string {
		var doc map[string]any
		if err := json.Unmarshal(good, &doc); err != nil {
			t.Fatal(err)
		}
		change(doc)
		b, err := json.Marshal(doc)
		if err != nil {
			t.Fatal(err)
		}
		return string(b)
	}
	first := func(doc map[string]any) map[string]any { return doc["findings"].([]any)[0].(map[string]any) }
	for _, c := range []struct{ name, in, want string }{
		{"empty", "", "unexpected end of JSON"},
		{"not JSON", "\n\nhello", "line 3"},
		{"trailing", string(good) + "{}", "after top-level value"},
		{"another document", "{}", "no field \"schema\""},
		{"later version", edit(func(d map[string]any) { d["schema"] = "setwitness.findings/2" }), "setwitness.findings/2"},
		{"misspelt field", edit(func(d map[string]any) { d["findngs"] = 1 }), "findngs"},
		{"missing take", edit(func(d map[string]any) { delete(d, "take") }), "take"},
		{"missing sum", edit(func(d map[string]any) { delete(d["take"].(map[string]any), "sha256") }), "at /take: missing property 'sha256'"},
		{"wrong type", edit(func(d map[string]any) { d["take"].(map[string]any)["width"] = "wide" }), "take.width"},
		{"unknown kind", edit(func(d map[string]any) { first(d)["kind"] = "smear" }), "at /findings/0/kind"},
		{"no date", edit(func(d map[string]any) { d["created"] = "yesterday" }), "at /created"},
		{"confidence", edit(func(d map[string]any) { first(d)["confidence"] = 2 }), "at /findings/0/confidence"},
		{"times", edit(func(d map[string]any) { first(d)["start_s"] = 99 }), "in order"},
		{"frames", edit(func(d map[string]any) { first(d)["start_frame"] = 99 }), "in order"},
		{"region", edit(func(d map[string]any) { first(d)["region"].(map[string]any)["x"] = 0.99 }), "not inside the picture"},
		{"evidence elsewhere", edit(func(d map[string]any) { first(d)["evidence"].(map[string]any)["crop"] = "../../etc/passwd" }), "does not lie beside"},
		{"absolute evidence", edit(func(d map[string]any) { first(d)["evidence"].(map[string]any)["crop"] = "/etc/passwd" }), "does not lie beside"},
		{"twice", edit(func(d map[string]any) { d["findings"] = []any{first(d), first(d)} }), "twice"},
		{"cadence", edit(func(d map[string]any) { d["cadence"].([]any)[0].(map[string]any)["end_s"] = -1 }), "ends before"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := Decode(strings.NewReader(c.in))
			if err == nil {
				t.Fatal("accepted")
			}
			if !strings.Contains(err.Error(), c.want) || strings.Contains(err.Error(), "\n") {
				t.Errorf("error is %q, want one line with %q", err, c.want)
			}
		})
	}
	if _, err := Decode(iotest.ErrReader(os.ErrDeadlineExceeded)); err == nil {
		t.Error("a failing reader is accepted")
	}
	if _, err := Read(filepath.Join(t.TempDir(), "none.json")); err == nil || !strings.Contains(err.Error(), "none.json") {
		t.Errorf("missing file: %v", err)
	}
}

// What the reader accepts keeps to the schema, and survives being written
// and read again.
func FuzzDecode(f *testing.F) {
	good, err := os.ReadFile(filepath.Join("testdata", "findings.golden.json"))
	if err != nil {
		f.Fatal(err)
	}
	f.Add(good)
	f.Add([]byte(`{"schema":"setwitness.findings/1","tool":{"name":"setwitness","version":""},"take":{"path":"","sha256":"` +
		strings.Repeat("0", 64) + `","codec":"","pixel_format":"","width":1,"height":1,"frame_rate":"1/1","scan":"progressive",` +
		`"duration_s":0,"frames":0,"damaged_packets":0},"view":{"kind":"direct","raster":{"width":1,"height":1}},` +
		`"conditions":{"peak_nits":1,"black_nits":0,"eotf":"","distance_heights":3},"coverage":[],"findings":[],"warnings":[]}`))
	f.Add([]byte(`{"schema":"setwitness.findings/1","findings":null}`))
	f.Add([]byte(`{"schema":"setwitness.findings/1","take":{"width":1e999999999}}`))
	f.Fuzz(func(t *testing.T, b []byte) {
		doc, err := Decode(bytes.NewReader(b))
		if err != nil {
			return
		}
		var out bytes.Buffer
		if err := Encode(&out, doc); err != nil {
			t.Fatalf("accepted, but cannot be written: %v", err)
		}
		if err := Validate(out.Bytes()); err != nil {
			t.Fatalf("written against the schema: %v", err)
		}
		if _, err := Decode(&out); err != nil {
			t.Fatalf("written, but cannot be read: %v", err)
		}
	})
}
