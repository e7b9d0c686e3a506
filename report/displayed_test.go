package report

import (
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
)

func displayedExample() *Displayed {
	return &Displayed{
		SHA256: strings.Repeat("ab", 32), Raster: Raster{Width: 640, Height: 360}, Rate: "50/1", CaptureFPS: 239.9,
		Lenses: []CameraLens{{Width: 1280, Height: 720, K1: -0.02}},
		Pictures: []MadePicture{
			{Number: 7, Time: 8333333, Life: 8333333, Parts: []MadePart{{Frame: 2, Shown: 8333333, To: 360, Corners: [8]float64{1.5, 2, 3, 4, 5, 6, 7, 8.25}}}},
			{Number: 9, Time: 48000000, Life: 48000001},
		},
	}
}

func TestDisplayed(t *testing.T) {
	path := filepath.Join(t.TempDir(), DisplayedName)
	for _, pictures := range []int{0, 1, 2} {
		d := displayedExample()
		d.Pictures = d.Pictures[:pictures]
		if err := WriteDisplayed(path, d); err != nil {
			t.Fatal(err)
		}
		got, err := ReadDisplayed(path)
		if err != nil {
			t.Fatal(err)
		}
		if !reflect.DeepEqual(got, d) {
			t.Errorf("%d pictures: read %+v, wrote %+v", pictures, got, d)
		}
	}
}

func TestDisplayedRefuses(t *testing.T) {
	path := filepath.Join(t.TempDir(), DisplayedName)
	if err := WriteDisplayed(path, displayedExample()); err != nil {
		t.Fatal(err)
	}
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	for old, c := range map[string]struct{ text, says string }{
		`"lens":0`:             {`"lens":1`, "lens 1 of 1"},
		`"to":360`:             {`"to":361`, "rows 0 to 361"},
		`"from":0`:             {`"from":360`, "rows 360 to 360"},
		`"time_ns":48000000`:   {`"time_ns":1`, "comes before"},
		`"rate":"50/1"`:        {`"rate":"50/0"`, "rate"},
		`"capture_fps"`:        {`"speed"`, "unknown field"},
		`setwitness.displayed`: {`setwitness.findings`, "schema is"},
		`8.25]`:                {`8.25,9]`, "corners"},
	} {
		text := strings.Replace(string(b), old, c.text, 1)
		if text == string(b) {
			t.Fatalf("%s is not in the document", old)
		}
		if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
		if _, err := ReadDisplayed(path); err == nil || !strings.Contains(err.Error(), c.says) || !strings.Contains(err.Error(), path) {
			t.Errorf("%s: %v", c.text, err)
		}
	}
	d := displayedExample()
	d.Pictures[0].Parts[0].Lens = 4
	if err := WriteDisplayed(path, d); err == nil {
		t.Error("a document with a lens too many was written")
	}
}

// Whatever is read can be written and read again as it was.
func FuzzDisplayed(f *testing.F) {
	path := filepath.Join(f.TempDir(), DisplayedName)
	if err := WriteDisplayed(path, displayedExample()); err != nil {
		f.Fatal(err)
	}
	b, err := os.ReadFile(path)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(string(b))
	f.Add(`{"schema":"setwitness.displayed/1"}`)
	f.Fuzz(func(t *testing.T, text string) {
		d, err := DecodeDisplayed(strings.NewReader(text))
		if err != nil {
			return
		}
		again := filepath.Join(t.TempDir(), DisplayedName)
		if err := WriteDisplayed(again, d); err != nil {
			t.Fatal(err)
		}
		e, err := ReadDisplayed(again)
		if err != nil || len(e.Pictures) != len(d.Pictures) || e.Rate != d.Rate {
			t.Fatalf("%v: %+v became %+v", err, d, e)
		}
	})
}
