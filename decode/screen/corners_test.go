package screen

import (
	"image"
	"strings"
	"testing"
)

func TestParseCorners(t *testing.T) {
	want := Quad{{10, 20.5}, {1900, 18}, {1910, 1060}, {-3, 1055}}
	got, err := ParseCorners(" 10,20.5 1900,18  1910,1060 -3,1055 ")
	if err != nil || got != want {
		t.Fatalf("%v, %v", got, err)
	}
	if f := FromCorners(got, image.Pt(1920, 1080)); f.Kind != Screen || f.View.Quad != want || f.Confidence != 1 {
		t.Errorf("%+v", f)
	}
	for _, bad := range []string{
		"", "1,2 3,4 5,6", "1,2 3,4 5,6 7,8 9,10", "a,b 3,4 5,6 7,8", "0;0 9,0 9,9 0,9",
		"0,0 9,0 NaN,9 0,9", "0,0 9,0 Inf,9 0,9", "0,0 1e9,0 9,9 0,9",
		"0,0 0,9 9,9 9,0",       // the wrong way round
		"0,0 9,9 9,0 0,9",       // crossed
		"0,0 9,0 18,0 0,9",      // three in a line
		"0,0 0,0 0,0 0,0",       // a point
		"0,0 100,0 30,30 0,100", // dented
	} {
		if q, err := ParseCorners(bad); err == nil {
			t.Errorf("%q is read as %v", bad, q)
		} else if strings.Contains(err.Error(), "\n") {
			t.Errorf("%q: error of several lines: %v", bad, err)
		}
	}
}

func FuzzParseCorners(f *testing.F) {
	f.Add("10,20.5 1900,18 1910,1060 -3,1055")
	f.Add("0,0 9,9 9,0 0,9")
	f.Add("1e3,0x1p-2 9,-0 NaN,9 ,")
	f.Fuzz(func(t *testing.T, s string) {
		q, err := ParseCorners(s)
		if err != nil {
			return
		}
		if !q.convex() {
			t.Fatalf("%q gives %v, which is no screen", s, q)
		}
		if again, err := ParseCorners(q.String()); err != nil || again != q {
			t.Fatalf("%v written and read is %v, %v", q, again, err)
		}
		p := View{Quad: q, Size: image.Pt(1920, 1080)}.ToCamera(0.5, 0.5)
		if p.X != p.X || p.Y != p.Y {
			t.Fatalf("%v has no middle", q)
		}
	})
}
