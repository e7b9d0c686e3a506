package page

import (
	"bytes"
	"strings"
	"testing"

	"setwitness/report"
	"setwitness/report/crops"
)

// What the source has and the take lost stands on the page in words, with the
// place in both where there are pictures of it.
func TestDifferencesOnThePage(t *testing.T) {
	doc := &report.Findings{Reference: &report.Reference{FollowedS: 3, Looks: 12, Differences: []report.Difference{
		{ID: "d001", What: "fine-detail", PeakS: 1.2, Evidence: report.Compared{Take: "crops/d001-take.png", Source: "crops/d001-source.png"}},
		{ID: "d002", What: "vertical-detail", PeakS: 2.4},
	}}}
	image := crops.Image{Data: []byte("abc"), Type: "image/png", W: 32, H: 20}
	var b bytes.Buffer
	if err := Write(&b, doc, nil, 2, nil, []Pair{{"d001", image, image}}); err != nil {
		t.Fatal(err)
	}
	html := b.String()
	for _, want := range []string{`<h2 id="reference-title">Beside the source</h2>`, "detail compared in 12 pictures", `id="d001"`, `id="d002"`, "Vertical detail lost",
		"d001, fine detail lost: the place in the take", `href="crops/d001-source.png"`, `width="64" height="20"`, "Detail of the source is lost in 2 places",
		"No findings in", `<a href="#reference">`} {
		if !strings.Contains(html, want) {
			t.Errorf("%q is not on the page", want)
		}
	}
	if n := strings.Count(html, "data:image/png;base64,YWJj"); n != 2 {
		t.Errorf("%d pictures", n)
	}
	doc.Reference.Differences = nil
	b.Reset()
	if err := Write(&b, doc, nil, 1, nil, nil); err != nil || !strings.Contains(b.String(), "No detail was found lost") {
		t.Errorf("without a difference: %v", err)
	}
}
