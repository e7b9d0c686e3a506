package main

import (
	order "encoding/binary"
	"encoding/csv"
	"image"
	"image/png"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"setwitness/report"
)

func pngOf(t *testing.T, path string) image.Image {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	img, err := png.Decode(f)
	if err != nil {
		t.Fatalf("%s: %v", path, err)
	}
	return img
}

func captions(t *testing.T, folder string) []map[string]string {
	t.Helper()
	rows, err := csv.NewReader(strings.NewReader(read(t, filepath.Join(folder, captionsName)))).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var out []map[string]string
	for _, r := range rows[1:] {
		m := map[string]string{}
		for i, v := range r {
			m[rows[0][i]] = v
		}
		out = append(out, m)
	}
	return out
}

// The stills show the take's own pixels, which the crops of the scan show too,
// with the caption below and not over them.
func TestStills(t *testing.T) {
	_, folder := woven(t, "match.mp4", "-c:v", "libx264", "-preset", "ultrafast")
	doc, err := report.Read(filepath.Join(folder, findingsName))
	if err != nil {
		t.Fatal(err)
	}
	if e := sw(t, "stills", folder); e.code != exitDone || e.err != "" || !strings.Contains(e.out, findingsWords(min(len(doc.Findings), usualTop))) {
		t.Fatal(e)
	}
	out := filepath.Join(folder, stillsName)
	rows := captions(t, out)
	if len(rows) != min(len(doc.Findings), usualTop) {
		t.Fatalf("%d rows for %d findings", len(rows), len(doc.Findings))
	}
	for i, r := range rows {
		f := doc.Findings[i]
		if r["finding"] != f.ID || r["kind"] != string(f.Kind) || r["settings"] != "film-mode: auto" || r["caption"] != report.Sentence(doc, &f) {
			t.Errorf("row %d: %v", i, r)
		}
		// Nothing but the picture is in the file: no text, no times, no device (chunks of
		// PNG, ISO/IEC 15948 clause 11).
		for b := []byte(read(t, filepath.Join(out, r["file"])))[8:]; len(b) > 0; b = b[12+int(order.BigEndian.Uint32(b)):] {
			if kind := string(b[4:8]); kind != "IHDR" && kind != "IDAT" && kind != "IEND" {
				t.Errorf("%s holds a chunk %s", r["file"], kind)
			}
		}
		img := pngOf(t, filepath.Join(out, r["file"]))
		if b := img.Bounds(); b.Dx() != 320 || b.Dy() < 240+20 || b.Dy() > 240+140 {
			t.Errorf("%s: %v for a picture of 320x240 with a caption", r["file"], b)
		}
		// Where the outline is, it covers what surrounds the place.
		crop := pngOf(t, filepath.Join(folder, filepath.FromSlash(f.Evidence.Crop)))
		same, all := 0, 0
		x0, y0 := place(f, crop.Bounds())
		for y := range crop.Bounds().Dy() {
			for x := range crop.Bounds().Dx() {
				all++
				if crop.At(x, y) == img.At(x0+x, y0+y) {
					same++
				}
			}
		}
		if same < all*3/4 {
			t.Errorf("%s: %d of %d pixels are those of the scan's crop", r["file"], same, all)
		}
		if r["detail"] != "" {
			if b := pngOf(t, filepath.Join(out, r["detail"])).Bounds(); b.Dx() < 320 {
				t.Errorf("%s: %v", r["detail"], b)
			}
		}
	}
	// A second time, with fewer: the earlier ones go, what is the user's stays.
	write(t, filepath.Join(out, "notes.png"), "mine")
	if e := sw(t, "stills", folder, "--top", "1", "--quiet"); e != (ended{}) {
		t.Fatal(e)
	}
	have := strings.Fields(list(t, out))
	for _, name := range have {
		if name != captionsName && name != "notes.png" && !strings.HasPrefix(name, "01-") {
			t.Errorf("%s is still there", name)
		}
	}
	if len(captions(t, out)) != 1 || read(t, filepath.Join(out, "notes.png")) != "mine" {
		t.Errorf("the folder holds %q", have)
	}
	whole(t, folder)
}

// place is where the scan's crop of a finding begins in a picture of 320 x 240: it
// reaches 24 pixels beyond the region, at least, and is no smaller than 256 x 192.
func place(f report.Finding, crop image.Rectangle) (x, y int) {
	r := image.Rect(int(f.PeakRegion.X*320+0.5), int(f.PeakRegion.Y*240+0.5), int((f.PeakRegion.X+f.PeakRegion.W)*320+0.5), int((f.PeakRegion.Y+f.PeakRegion.H)*240+0.5))
	mx, my := max(24, r.Dx()/8, (256-r.Dx()+1)/2), max(24, r.Dy()/8, (192-r.Dy()+1)/2)
	return max(r.Min.X-mx, 0), max(r.Min.Y-my, 0)
}

func TestStillsRefuses(t *testing.T) {
	_, folder := woven(t, "match.mp4", "-c:v", "libx264", "-preset", "ultrafast")
	page := filepath.Join(folder, pageName)
	refused(t, sw(t, "stills", folder, "--out", page), page, "not a folder")
	refused(t, sw(t, "stills", folder, "--view", "filmed"), folder[:0], "a direct take")
	refused(t, sw(t, "stills", folder, "--view", "upright"), "upright", "neither rectified nor filmed")
	// A full disk leaves nothing of the new pictures and all of the old.
	dir := tmpfs(t, "size=48k")
	write(t, filepath.Join(dir, "out", captionsName), "the earlier one")
	out := filepath.Join(dir, "out")
	refused(t, sw(t, "stills", folder, "--out", out), out, "no space left")
	if got := list(t, dir); got != "out out/captions.csv" || read(t, filepath.Join(out, captionsName)) != "the earlier one" {
		t.Errorf("the folder holds %q", got)
	}
}
