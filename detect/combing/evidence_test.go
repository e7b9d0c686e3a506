package combing

import (
	"image"
	"math"
	"testing"
)

// Along an edge that lies along the lines, samples repeat each other: for a displacement
// across the lines so many of them say a quarter of what they say of one along them.
func TestExplainedBy(t *testing.T) {
	along := look{pixels: 640, dx: 9, still: 400, along: 100}
	across := along
	across.dx, across.dy = 0.2, 9
	// Differences fall off exponentially: log 4 - 3/4 for each that is independent.
	want := 640. / 16 * (math.Log(4) - 0.75)
	if got := along.explainedBy(); math.Abs(got-want) > 1e-9 {
		t.Errorf("along the lines: %.3f, want %.3f", got, want)
	}
	if got := across.explainedBy(); math.Abs(got-want/4) > 1e-9 {
		t.Errorf("across the lines: %.3f, want %.3f", got, want/4)
	}
	along.along = 500
	if got := along.explainedBy(); got != 0 {
		t.Errorf("what leaves more than it takes away: %.3f", got)
	}
}

// Two windows over the same samples are one look.
func TestSameLooks(t *testing.T) {
	at := func(x, y int) *look { return &look{window: image.Rect(x, y, x+64, y+48)} }
	for _, c := range []struct {
		o    *look
		want bool
	}{{at(120, 64), true}, {at(130, 90), true}, {at(120, 110), false}, {at(160, 80), false}, {at(400, 80), false}} {
		if got := at(120, 80).sameAs(c.o); got != c.want {
			t.Errorf("%v: %v", c.o.window, got)
		}
	}
}
