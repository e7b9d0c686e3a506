package display

import (
	"image"
	"math"
	"math/rand/v2"
	"testing"
	"time"
	"unsafe"

	"setwitness/decode/screen"
)

func TestMade(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	var m made
	var want [][]Part
	for i := range 40 {
		var parts []Part
		for j := range i % 4 {
			v := screen.View{Size: image.Pt(1920, 1080), K1: -0.02, Aspect: 16. / 9, Bars: [4]float64{0, 0.1, 0, 0.1}}
			if i > 20 {
				v.Bars = [4]float64{}
			}
			for c := range v.Quad {
				v.Quad[c] = screen.Point{X: 1920 * r.Float64(), Y: 1080 * r.Float64()}
			}
			parts = append(parts, Part{Frame: 5*i + j, Shown: time.Duration(5*i+j) * time.Millisecond, View: v, From: 10 * j, To: 10*j + 30})
		}
		m.add(parts)
		want = append(want, parts)
	}
	for i, parts := range want {
		got := m.of(i)
		if len(got) != len(parts) {
			t.Fatalf("picture %d has %d parts, want %d", i, len(got), len(parts))
		}
		for j := range got {
			for c, p := range got[j].View.Quad {
				if q := parts[j].View.Quad[c]; math.Hypot(p.X-q.X, p.Y-q.Y) > 1e-3 {
					t.Errorf("picture %d, part %d: corner %v, want %v", i, j, p, q)
				}
			}
			got[j].View.Quad = parts[j].View.Quad
			if got[j] != parts[j] {
				t.Errorf("picture %d, part %d: %+v, want %+v", i, j, got[j], parts[j])
			}
		}
	}
	if m.of(-1) != nil || m.of(len(want)) != nil {
		t.Error("there are parts of pictures that were not made")
	}
	if len(m.forms) != 2 {
		t.Errorf("%d forms of views, want 2", len(m.forms))
	}
	if n := unsafe.Sizeof(keptPart{}); n > 64 {
		t.Errorf("a part takes %d bytes", n)
	}
}
