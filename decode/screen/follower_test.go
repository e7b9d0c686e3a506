package screen

import (
	"math"
	"os"
	"slices"
	"strconv"
	"testing"

	"setwitness/testdata/filming"
)

func TestFollowsFilmedScreens(t *testing.T) {
	n := 1
	if s, err := strconv.Atoi(os.Getenv("SEEDS")); err == nil {
		n = s
	}
	names := []string{filming.Hand, filming.Stand, filming.Bumped, filming.Dim, filming.LitWall, filming.Portrait}
	if o := os.Getenv("ONLY"); o != "" {
		names = []string{o}
	}
	var all []float64
	for i, name := range names {
		for seed := range int64(n) {
			s, _ := filming.Named(name, 50, seed)
			played, c := filmed(t, s, int(seed)*3+i, 1.2, seed)
			start := truth(c.Frame(0))
			first := View{Quad: start, Size: s2(c), Confidence: 1}
			l := first.lens()
			flen := float64(max(s.Camera.W, s.Camera.H)) / 2 / math.Tan(s.Camera.FieldOfViewDeg*math.Pi/360)
			k := l.half / flen
			first.K1 = s.Camera.K1*k*k + s.Camera.K2*k*k*k*k
			for i := range first.Quad {
				first.Quad[i].X += 3
				first.Quad[i].Y -= 4
			}
			f := NewFollower(first)
			var errs []float64
			carried, cuts := 0, []float64(nil)
			for i := range min(c.Frames, 240) {
				p := c.Picture(i)
				v := f.Follow(&p.Y)
				p.Release()
				if v.Carried {
					carried++
				}
				if v.Cut {
					cuts = append(cuts, c.Frame(i).TimeS)
				}
				errs = append(errs, corner(v.Quad, truth(c.Frame(i))))
			}
			slices.Sort(errs)
			all = append(all, errs...)
			t.Logf("%s %s %d: corner median %.2f, 98%% %.2f, worst %.2f; carried %d, cuts %.3f bump %.3f %.1f", name, played, seed, errs[len(errs)/2], errs[len(errs)*98/100], errs[len(errs)-1], carried, cuts, s.Camera.Motion.BumpS, s.Camera.Motion.BumpPx)
		}
	}
	slices.Sort(all)
	t.Logf("all: corner median %.2f, 98%% %.2f, worst %.2f", all[len(all)/2], all[len(all)*98/100], all[len(all)-1])
}
