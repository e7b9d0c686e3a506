package report

import (
	"bytes"
	"strings"
	"testing"
)

func difference() Difference {
	return Difference{
		ID: "d001", What: "vertical-detail", StartS: 0.6, EndS: 2.2, PeakS: 1.04, PeakFrame: 52, SourceS: 3.5,
		Region: Region{0, 0, 1, 1}, PeakRegion: Region{0, 0, 1, 1},
		Lost:           []Lost{{"horizontal", 3, 0.4}, {"vertical", 3, 46.2}, {"vertical", 5, 20}},
		AmplitudeCodes: 6.6, VisibilityJND: 2.4, Why: "23 of 85 places that have such detail in the source lost it",
		Evidence: Compared{"crops/d001-take.png", "crops/d001-source.png"},
	}
}

func TestDifferenceInWords(t *testing.T) {
	d := difference()
	got := d.Sentence()
	for _, want := range []string{"From 0:00.60 to 0:02.20 ", "all over the picture", "46 % of the vertical detail at a pitch of 3 px", "20 % of the vertical",
		"6.6 codes", "2.4 JND", "23 of 85 places"} {
		if !strings.Contains(got, want) {
			t.Errorf("%q is not in %q", want, got)
		}
	}
	if strings.Contains(got, "horizontal") {
		t.Errorf("what is not lost is in %q", got)
	}
	if d.EndS = 1.2; !strings.HasPrefix(d.Sentence(), "At 0:01.04 ") {
		t.Errorf("a short one: %q", d.Sentence())
	}
	for what, title := range map[string]string{"fine-detail": "Fine detail lost", "vertical-detail": "Vertical detail lost", "horizontal-detail": "Horizontal detail lost"} {
		if d.What = what; d.Named() != title {
			t.Errorf("%s is %q", what, d.Named())
		}
	}
}

func TestReferenceInWords(t *testing.T) {
	r := Reference{FollowedS: 2.9, Looks: 15, Detail: []Detail{
		{"horizontal", 3, 0.96, 0.9, 1}, {"horizontal", 5, 0.97, 0.9, 1}, {"vertical", 3, 0, 0, 0}, {"vertical", 5, 0.5, 0.4, 2},
	}}
	want := "followed to the picture for 2.9 s, detail compared in 15 pictures; of the horizontal detail the take keeps 96 % at a pitch of 3 px and " +
		"97 % at a pitch of 5 px; of the vertical detail the take keeps 50 % at a pitch of 5 px"
	if got := r.Words(); got != want {
		t.Errorf("%q", got)
	}
	r = Reference{Why: "its pictures are fields"}
	if got := r.Words(); got != "followed to the picture for 0.0 s; its pictures are fields" {
		t.Errorf("%q", got)
	}
}

// A document with a comparison keeps to the schema and comes back as it was.
func TestReferenceComesBack(t *testing.T) {
	doc, _ := Build(example())
	doc.Reference = &Reference{FollowedS: 2, Looks: 3, Why: "for a test", Detail: []Detail{{"vertical", 3, 0.5, 0.4, 2}}, Differences: []Difference{difference()}}
	var b bytes.Buffer
	if err := Encode(&b, doc); err != nil {
		t.Fatal(err)
	}
	got, err := Decode(bytes.NewReader(b.Bytes()))
	if err != nil {
		t.Fatal(err)
	}
	if r := got.Reference; r == nil || len(r.Differences) != 1 || r.Differences[0].Sentence() != doc.Reference.Differences[0].Sentence() || r.Detail[0] != doc.Reference.Detail[0] {
		t.Errorf("%+v", r)
	}
	doc.Reference.Differences[0].What = "colour"
	b.Reset()
	if err := Encode(&b, doc); err == nil {
		if _, err = Decode(&b); err == nil {
			t.Error("a difference that has no name is accepted")
		}
	}
}
