package takes

import (
	"setwitness/decode/picture"
	"setwitness/testdata/faults"
	"setwitness/testdata/scene"
)

// lasting are takes with a fault that goes on for longer than what is compared
// with, or through the whole take: as with a set that took up the wrong cadence
// and stays with it.
func lasting(m maker) []Take {
	var out []Take
	add := func(name string, s faults.Sequence) { out = append(out, from("ghost-lasting-"+name, s)) }
	woven := func(name string, s faults.Sequence) { out = append(out, from("comb-lasting-"+name, s)) }
	three := faults.Three(.25, .5, .25)
	thrown := func(n int64, b scene.Ball) *scene.Scene {
		b.Level, b.X, b.Y, b.Way = 205, 0.15, 0.9, scene.Thrown
		return scene.Toss(m.small(n), wall(90), scene.Move{}, b)
	}
	across := func(n int64, v float64) *scene.Scene {
		return toss(m.small(n), wall(90), scene.Ball{Diameter: 40, Speed: v, Level: 205}, 45)
	}
	{
		s := across(401, 16)
		add("ball-20", faults.Blend(play(s, 75), around(s, ballName, 35, 54, 0), three))
	}
	{
		s := across(402, 18)
		add("ball-40", faults.Blend(play(s, 90), around(s, ballName, 30, 69, 0), faults.Three(.33, .34, .33)))
	}
	{
		s := thrown(403, scene.Ball{Diameter: 36, Speed: 17, Angle: -60})
		add("thrown-20", faults.Blend(play(s, 75), around(s, ballName, 20, 39, 0), three))
	}
	{
		s := thrown(404, scene.Ball{Diameter: 36, Speed: 17, Angle: -60})
		add("thrown-all", faults.Blend(play(s, 75), where(0, 74, 0), three))
	}
	{
		s := thrown(405, scene.Ball{Diameter: 30, Speed: 19, Angle: -50})
		add("thrown-all-two", faults.Blend(play(s, 75), where(0, 74, 0), faults.Two(.5, 1, .5)))
	}
	{
		s := scene.BallGame(m.middle(407), scene.Game{PanWidth: 300, PanPeriod: 5, Seconds: 4})
		add("game-all", faults.Blend(play(s, 90), where(0, 89, 0), three))
	}
	{
		s := scene.BallGame(m.middle(408), scene.Game{Seconds: 4})
		add("game-still-all", faults.Blend(play(s, 90), where(0, 89, 0), three))
	}
	add("pan-all", faults.Blend(play(scene.Pan(m.small(409), surface(scene.Street), scene.Move{X: 9}), 70), where(0, 69, 9), faults.Three(.33, .34, .33)))
	{
		s := scene.BallGame(m.middle(410), scene.Game{PanWidth: 300, PanPeriod: 5, Seconds: 4})
		add("game-25", faults.Blend(play(s, 90), where(35, 59, 0), three))
	}
	// Both fields of each frame of 25 a second, blended.
	blended := func(name string, s *scene.Scene, n int) {
		q := faults.Blend(play(s, 2*n), where(0, 2*n-1, 0), faults.Two(.5, 1, .5))
		at := q.At
		q.Format.RateNum, q.Len = q.Format.RateNum/2, n
		q.At = func(i int) *picture.Picture {
			p := at(2 * i)
			p.Index, p.Frame = i, i
			return p
		}
		q.Truth[0].Last = n - 1
		add(name, q)
	}
	blended("fields-pan", scene.BallGame(m.middle(415), scene.Game{PanWidth: 500, PanPeriod: 3, Seconds: 4}), 60)
	{
		s := across(411, 14)
		woven("20", faults.Weave(play(s, 75), around(s, ballName, 30, 49, 110), 1))
	}
	woven("pan-all", faults.Weave(play(scene.Pan(m.small(412), surface(scene.Street), scene.Move{X: 7}), 70), where(0, 69, 7), 1))
	{
		s := scene.BallGame(m.middle(413), scene.Game{PanWidth: 300, PanPeriod: 5, Seconds: 4})
		woven("game-all", faults.Weave(play(s, 90), where(0, 89, 0), 1))
	}
	{
		s := thrown(414, scene.Ball{Diameter: 36, Speed: 17, Angle: -60})
		woven("thrown-all", faults.Weave(play(s, 75), where(0, 74, 0), 1))
	}
	return out
}
