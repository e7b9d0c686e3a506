package page

import (
	"fmt"
	"strings"

	"setwitness/report"
	"setwitness/report/crops"
)

// Pair is the place of a difference in the take and in the source.
type Pair struct {
	ID           string // of the difference
	Take, Source crops.Image
}

// difference is one as the page shows it.
type difference struct {
	report.Difference
	Title, Sentence string
	Panels          []panel // of the source and the take, where their pictures are there
}

func differences(doc *report.Findings, pairs []Pair, aspect float64) []difference {
	if doc.Reference == nil {
		return nil
	}
	var out []difference
	for i := range doc.Reference.Differences {
		q := &doc.Reference.Differences[i]
		d := difference{Difference: *q, Title: q.Named(), Sentence: q.Sentence()}
		for _, p := range pairs {
			if p.ID != q.ID {
				continue
			}
			for _, side := range []struct {
				name, alt string
				image     crops.Image
			}{
				{"Source, brought to the take's size and levels", "the place in the source", p.Source},
				{"Take", "the place in the take", p.Take},
			} {
				shown := show(side.image, aspect)
				shown.Name, shown.Alt = side.name, fmt.Sprintf("%s, %s: %s", q.ID, strings.ToLower(d.Title), side.alt)
				d.Panels = append(d.Panels, shown)
			}
		}
		out = append(out, d)
	}
	return out
}

// times says how often.
func times(n int) string {
	switch n {
	case 1:
		return "in one place"
	}
	return fmt.Sprintf("in %d places or stretches of time", n)
}
