package display_test

import (
	"context"
	"image"
	"io"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"setwitness/decode/display"
	"setwitness/decode/picture"
	"setwitness/decode/screen"
)

// inset is a take in which a quadrilateral changes while all around it rests.
type inset struct {
	quad   screen.Quad
	rate   float64
	around uint8   // code
	noise  float64 // codes, everywhere
	glow   float64 // share of the mean light inside that the surroundings gain
	swing  float64 // of the mean code inside, from look to look
	hz     float64 // new pictures a second, 0 for as many as frames
	roll   float64 // share of their time that passes from the first row to the last
	tags   map[string]string
}

const insetW, insetH = 320, 180

// turned is a rectangle before the frame's middle that fills a share of its width, turned
// and tilted a little before a phone's lens.
func turned(share, shape float64) (q screen.Quad) {
	const yaw, roll, focal = 0.2, 0.02, 0.8 * insetW
	for i, c := range [4][2]float64{{-1, -1}, {1, -1}, {1, 1}, {-1, 1}} {
		x, y := c[0]*share*insetW/2, c[1]*share*insetW/2*shape
		x, y = x*math.Cos(roll)-y*math.Sin(roll), x*math.Sin(roll)+y*math.Cos(roll)
		k := focal / (focal + x*math.Sin(yaw))
		q[i] = screen.Point{X: insetW/2 - 0.5 + k*x*math.Cos(yaw), Y: insetH/2 - 0.5 + k*y}
	}
	return q
}

// insetReel plays an inset for two seconds, or half as long at a high rate.
type insetReel struct {
	inset
	at    int
	place []screen.Point // on the screen, of each pixel
	share []float64      // of it that the screen covers
	rand  *rand.Rand
}

func (s inset) reel() *insetReel {
	r := &insetReel{inset: s, rand: rand.New(rand.NewPCG(1, 7)), share: make([]float64, insetW*insetH)}
	v := screen.View{Quad: s.quad, Size: image.Pt(insetW, insetH)}
	for i := range r.share {
		at := screen.Point{X: float64(i % insetW), Y: float64(i / insetW)}
		x, y := v.ToScreen(at)
		r.place = append(r.place, screen.Point{X: x, Y: y})
		const parts = 4
		for k := range parts * parts {
			dx, dy := (float64(k%parts)+0.5)/parts-0.5, (float64(k/parts)+0.5)/parts-0.5
			if x, y := v.ToScreen(screen.Point{X: at.X + dx, Y: at.Y + dy}); x > 0 && x < 1 && y > 0 && y < 1 {
				r.share[i] += 1. / (parts * parts)
			}
		}
	}
	return r
}

func (r *insetReel) frames() int { return int(min(2.1*r.rate, 240)) }

func (r *insetReel) Format() picture.Format {
	return picture.Format{W: insetW, H: insetH, Depth: 8, RateNum: int(r.rate), RateDen: 1}
}

func (r *insetReel) stamps(context.Context) ([]time.Duration, map[string]string, error) {
	times := make([]time.Duration, r.frames())
	for i := range times {
		times[i] = r.time(i)
	}
	return times, r.tags, nil
}

func (r *insetReel) time(i int) time.Duration {
	return time.Duration(float64(i) / r.rate * float64(time.Second))
}

func (r *insetReel) Next(context.Context) (*picture.Picture, error) {
	if r.at == r.frames() {
		return nil, io.EOF
	}
	p := &picture.Picture{Index: r.at, Frame: r.at, Time: r.time(r.at), Y: picture.New(insetW, insetH, 8)}
	t := p.Time.Seconds()
	level := func(t float64) float64 { return 110 + r.swing*math.Sin(9*t) }
	for i, share := range r.share {
		v := float64(r.around) + 0.15*float64(r.around)*math.Sin(float64(i%insetW)/9)*math.Sin(float64(i/insetW)/7) + r.glow*level(t)
		if share > 0 {
			x, y, shown := r.place[i].X, r.place[i].Y, t
			if r.hz > 0 {
				shown = math.Floor(t*r.hz-r.roll*y+1e-6) / r.hz
			}
			v += share * (level(shown) + 45*math.Sin(14*x+3*y+11*shown) + 20*math.Sin(9*y-6*shown) - v)
		}
		p.Y.Pix[i] = uint8(max(1, min(254, v+r.noise*r.rand.NormFloat64()+0.5)))
	}
	r.at++
	return p, nil
}

// What changes within four straight sides is a filmed set where a camera gives itself away,
// in a dark room, or where it looks like one in all ways; in a picture that is lit all
// around it is a part of that picture.
func TestCameraOrInset(t *testing.T) {
	t.Parallel()
	small, large, wide := turned(0.4, 9./16), turned(0.75, 9./16), turned(0.75, 0.36)
	laid := screen.Quad{{X: 159.5, Y: 79.5}, {X: 303.5, Y: 79.5}, {X: 303.5, Y: 160.5}, {X: 159.5, Y: 160.5}}
	for name, c := range map[string]struct {
		inset
		want bool
	}{
		"a picture within the picture":          {inset{quad: laid, rate: 50, around: 90}, false},
		"the same in the dark":                  {inset{quad: laid, rate: 50, around: 20, noise: 1}, false},
		"a set in a scene":                      {inset{quad: small, rate: 25, around: 60}, false},
		"the same with grain":                   {inset{quad: small, rate: 50, around: 90, noise: 2}, false},
		"a board":                               {inset{quad: wide, rate: 50, around: 120, noise: 1}, false},
		"a large set that throws no light":      {inset{quad: large, rate: 50, around: 90, swing: 40}, false},
		"a film in a lit room":                  {inset{quad: large, rate: 50, around: 90, swing: 40, glow: 0.05, noise: 1}, true},
		"a film in a dark room":                 {inset{quad: small, rate: 50, around: 20, noise: 2}, true},
		"the same without noise":                {inset{quad: small, rate: 50, around: 20}, true},
		"a projection in a hall":                {inset{quad: small, rate: 25, around: 40}, false},
		"a film with much noise in a dim room":  {inset{quad: small, rate: 50, around: 40, noise: 4}, true},
		"what a phone took of a set in a scene": {inset{quad: small, rate: 50, around: 90, tags: map[string]string{"com.android.version": "12"}}, true},
		"pictures that come on row by row":      {inset{quad: small, rate: 240, around: 90, hz: 50, roll: 0.7}, true},
		"pictures that are new all at once":     {inset{quad: small, rate: 240, around: 20, hz: 50}, false},
	} {
		t.Run(name, func(t *testing.T) {
			r := c.reel()
			survey, err := display.Examine(context.Background(), r, r.stamps, display.Options{})
			if err != nil {
				t.Fatal(err)
			}
			if survey.Screen != c.want {
				t.Errorf("taken for a screen: %v; %s", survey.Screen, survey.Why)
			} else {
				t.Log(survey.Why)
			}
		})
	}
}
