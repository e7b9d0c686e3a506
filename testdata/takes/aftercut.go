package takes

import (
	"image"

	"setwitness/decode/picture"
	"setwitness/detect"
	"setwitness/testdata/faults"
	"setwitness/testdata/scene"
)

// afterCuts are takes whose fault follows a cut, or the start: a set looks for the
// cadence anew, and shows the wrong one until it has it.
func afterCuts(m maker) []Take {
	var out []Take
	ghost := func(name string, s faults.Sequence) { out = append(out, from("ghost-cut-"+name, s)) }
	comb := func(name string, s faults.Sequence) { out = append(out, from("comb-cut-"+name, s)) }
	three := faults.Three(.25, .5, .25)
	const at = 30
	// joined shows at pictures of a scene that stands still, and then another.
	joined := func(r scene.Raster, s faults.Sequence) faults.Sequence {
		before := play(scene.Pan(r, surface(scene.Foliage), scene.Move{X: 3}), at)
		of := s.At
		s.At = func(i int) *picture.Picture {
			if i < at {
				return before.At(i)
			}
			return of(i)
		}
		return s
	}
	{
		r := m.small(451)
		s := toss(r, wall(90), scene.Ball{Diameter: 40, Speed: 16, Level: 205}, 45)
		ghost("ball", joined(r, faults.Blend(play(s, 75), around(s, ballName, at, at+5, 0), three)))
	}
	{
		r := m.small(452)
		s := scene.Pan(r, surface(scene.Street), scene.Move{X: 12})
		ghost("pan", joined(r, faults.Blend(play(s, 70), where(at, at+4, 12), faults.Three(.33, .34, .33))))
	}
	{
		r := m.middle(453)
		s := scene.BallGame(r, scene.Game{PanWidth: 300, PanPeriod: 5, Seconds: 4})
		ghost("game", joined(r, faults.Blend(play(s, 80), where(at, at+5, 0), three)))
	}
	{
		r := m.small(454)
		s := toss(r, wall(90), scene.Ball{Diameter: 40, Speed: 14, Level: 205}, 45)
		comb("ball", joined(r, faults.Weave(play(s, 75), around(s, ballName, at, at+4, 115), 1)))
	}
	{
		r := m.small(455)
		comb("pan", joined(r, faults.Weave(play(scene.Pan(r, surface(scene.Street), scene.Move{X: 7}), 70), where(at, at+4, 7), 1)))
	}
	{
		s := toss(m.small(456), wall(90), scene.Ball{Diameter: 40, Speed: 16, Level: 205}, 15)
		ghost("start", faults.Blend(play(s, 45), around(s, ballName, 0, 5, 0), three))
	}
	// swapped shows the pictures of pairs of fields in the wrong order.
	swapped := func(name string, s faults.Sequence, first, last int) {
		of := s.At
		s.At = func(i int) *picture.Picture {
			if i < first || i > last {
				return of(i)
			}
			p := *of(i ^ 1)
			p.Index, p.Frame, p.Time = i, i, of(i).Time
			return &p
		}
		w := where(first, last, 0)
		s.Truth = append(s.Truth, faults.Truth{Kind: detect.CadenceBreak, First: w.First, Last: w.Last, Region: image.Rect(0, 0, s.Format.W, s.Format.H)})
		out = append(out, from("cadence-swapped-"+name, s))
	}
	swapped("ball", play(toss(m.small(457), wall(90), scene.Ball{Diameter: 40, Speed: 10, Level: 205}, 40), 80), 30, 59)
	swapped("pan", play(scene.Pan(m.small(458), surface(scene.Street), scene.Move{X: 7}), 80), 30, 59)
	swapped("pan-all", play(scene.Pan(m.small(459), surface(scene.Street), scene.Move{X: 7}), 80), 0, 79)
	return out
}
