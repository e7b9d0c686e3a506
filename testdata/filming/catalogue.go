package filming

import (
	"fmt"
	"math/rand/v2"
	"strings"

	"setwitness/testdata/faults"
	"setwitness/testdata/scene"
	"setwitness/testdata/takes"
)

// Case is a capture of the catalogue.
type Case struct {
	Name      string
	Situation Situation
	Source    faults.Sequence
	// Fault is the kind of the takes that it is made of ("ghost", "comb",
	// "cadence"), or empty where nothing is wrong.
	Fault string
	Seed  int64
}

// Film makes the capture.
func (c Case) Film() (*Capture, error) { return c.Situation.Film(c.Source, 0, c.Seed) }

// Faulty returns a capture, in a situation drawn for it, of each take of
// package takes that has faults and is made of whole pictures.
func Faulty(seed int64) []Case {
	return Filmed(seed, takes.All(seed), func(t takes.Take) bool { return len(t.Truth) > 0 })
}

// LookAlikes returns a capture of each take without faults.
func LookAlikes(seed int64) []Case {
	return Filmed(seed, takes.All(seed), func(t takes.Take) bool { return len(t.Truth) == 0 })
}

// Filmed returns a capture, in a situation drawn for it, of each wanted take of
// a list that is made of whole pictures. A take that stays at its place in the
// list keeps its situation.
func Filmed(seed int64, list []takes.Take, wanted func(t takes.Take) bool) []Case {
	var out []Case
	for i, t := range list {
		if t.Format.Fields || !wanted(t) {
			continue
		}
		own := seed*1000 + int64(i)
		c := Case{Name: t.Name, Source: OfTake(t), Situation: Random(t.Format.Rate(), own), Seed: own}
		if len(t.Truth) > 0 {
			c.Fault, _, _ = strings.Cut(t.Name, "-")
		}
		if c.Fault == "comb" {
			c.Situation.resolve(t.Format.H, own)
		}
		out = append(out, c)
	}
	return out
}

// resolve makes the frame and the screen in it so large that two lines of the
// raster are 2.2 camera px high at least: combing below 2 cannot be seen.
func (s *Situation) resolve(lines int, seed int64) {
	const pxPerLine = 1.1
	cam := &s.Camera
	if s.Name == Portrait || s.Name == Lamp {
		*s, _ = Named(Stand, s.Set.RefreshHz, seed)
		cam = &s.Camera
	}
	for {
		need := 1.02 * pxPerLine * float64(lines) / float64(cam.H)
		if need < 1 {
			cam.Pose.Fill = max(cam.Pose.Fill, need)
			s.fit()
			if cam.Pose.Fill >= need/1.02 {
				return
			}
		}
		if cam.H >= 1080 {
			// Only part of the screen is in the frame.
			cam.Pose.ShiftX, cam.Pose.ShiftY = 0, 0
			cam.Pose.Fill = max(need, 1.35)
			return
		}
		cam.W, cam.H = cam.W*3/2, cam.H*3/2
	}
}

// Clean returns n captures of seconds each in which nothing is wrong: ball
// games, moves over streets and leaves, things thrown, text, film.
func Clean(seed int64, n int, seconds float64) []Case {
	var out []Case
	for i := range n {
		own := seed*1000 + int64(i)
		d := draw{rand.New(rand.NewPCG(uint64(own), 13))}
		r := scene.Raster{
			W: 1280, H: 720, Shutter: d.between(0.25, 1), Grain: d.between(0.4, 2), Seed: own,
			Colour: d.IntN(3) == 0,
		}
		rates := [][2]int{{50, 1}, {50, 1}, {25, 1}, {24, 1}, {60, 1}, {60000, 1001}}
		rate := rates[d.IntN(len(rates))]
		r.RateNum, r.RateDen = rate[0], rate[1]
		step := 50 / r.Rate() // slower rates take longer steps
		surfaces := []scene.Surface{scene.Street, scene.Foliage, scene.Gravel}
		back := scene.Back{Surface: surfaces[d.IntN(len(surfaces))]}
		var s *scene.Scene
		name := ""
		switch i % 5 {
		case 0:
			name = "game"
			s = scene.BallGame(r, scene.Game{PanWidth: d.between(150, 350), PanPeriod: d.between(4, 8), Seconds: seconds + 1})
		case 1:
			name = "pan"
			s = scene.Pan(r, back, scene.Move{X: step * d.sign() * d.ratio(1, 14), Y: step * d.between(-1, 1), Seconds: seconds + 1})
		case 2:
			name = "ball"
			s = scene.Toss(r, scene.Back{Surface: scene.Plain, Tone: d.between(40, 120)}, scene.Move{}, scene.Ball{
				Diameter: d.between(24, 120), Speed: step * d.between(6, 30), Level: d.between(170, 230),
				Angle: d.between(-20, 20), Y: 0.5, Marked: d.IntN(2) == 0, Spin: 1,
			})
		case 3:
			name = "ticker"
			s = scene.Ticker(r, back, scene.Move{}, scene.Band{Speed: step * d.between(2, 7), Size: d.between(22, 44), Roll: d.IntN(3) == 0})
		case 4:
			name = "shower"
			s = scene.Shower(r, scene.Back{Surface: scene.Plain, Tone: d.between(40, 120)}, []scene.Particle{scene.Rain, scene.Confetti, scene.Snow}[d.IntN(3)], 60+d.IntN(200))
		}
		situation := Random(r.Rate(), own)
		out = append(out, Case{
			Name: fmt.Sprintf("%02d-%s-%s", i, name, situation.Name), Situation: situation,
			Source: OfScene(s, int(seconds*r.Rate())+2), Seed: own,
		})
	}
	return out
}
