package refresh

import (
	"math"
	"math/rand/v2"
	"time"
)

// A set and a camera reduced to grids: a test's own camera, with the truth for
// each row of each frame. Light is linear, 0 to 1.

type content func(k int, y, x float64) float64 // light of picture k

type camera struct {
	cols, rows int
	seconds    float64
	hz         float64 // displayed pictures a second
	fps        float64 // camera
	exposure   float64 // share of a frame
	slope      float64 // s, set's roll less the camera's readout
	across     float64 // s
	phase      float64 // s
	noise      float64 // codes, one grid value
	jitter     float64 // s, frame times vary by this and are stated truly
	drift      float64 // share, exposure control drifts by this over a second
	dips       float64 // share of light lost in a dip once a refresh
	dipSlope   float64 // s, roll of the dip
	dipAcross  float64 // s, the same from left to right
	dipHz      float64 // of dips; 0: hz
	dipLength  float64 // share of a refresh
	pwm        float64 // share
	response   float64 // s, time constant of the panel
	seed       uint64
	show       content
	show24     func(refresh int) int // picture of a refresh; nil: every refresh a new one
	countNew   bool                  // the truth counts new pictures, not refreshes
	from       float64               // s, first frame
}

type truth struct {
	picture int     // of the set's refreshes: latest one that the row's exposure saw
	share   float64 // of the exposure that saw it; 1 for unmixed
}

// film returns the frames and, for each frame and row, the truth.
func (c camera) film() ([]Frame, [][]truth) {
	r := rand.New(rand.NewPCG(c.seed, 77))
	if c.cols == 0 {
		c.cols, c.rows = 64, 48
	}
	n := int(c.seconds * c.fps)
	t := c.from
	period := 1 / c.hz
	exposure := c.exposure / c.fps
	var frames []Frame
	var truths [][]truth
	// The camera's response, in steps that are far finer than the noise.
	const steps = 1 << 13
	var response [steps + 1]float64
	for i := range response {
		response[i] = 16 + 219*math.Pow(float64(i)/steps, 1/2.2)
	}
	code := func(v float64) float64 {
		p := min(max(v, 0), 1) * steps
		i := min(int(p), steps-1)
		return response[i] + (p-float64(i))*(response[i+1]-response[i])
	}
	cache := map[int][]float64{}
	latest, pictures := [2]int{math.MinInt, math.MinInt}, [2][]float64{}
	light := func(k int) []float64 {
		p := k
		if c.show24 != nil {
			p = c.show24(k)
		}
		if p == latest[0] {
			return pictures[0]
		}
		if p == latest[1] {
			return pictures[1]
		}
		latest[1], pictures[1] = latest[0], pictures[0]
		if v, ok := cache[p]; ok {
			latest[0], pictures[0] = p, v
			return v
		}
		if len(cache) > 64 {
			clear(cache)
		}
		v := make([]float64, c.cols*c.rows)
		for y := range c.rows {
			for x := range c.cols {
				v[y*c.cols+x] = c.show(p, (float64(y)+.5)/float64(c.rows), (float64(x)+.5)/float64(c.cols))
			}
		}
		cache[p] = v
		latest[0], pictures[0] = p, v
		return v
	}
	for i := range n {
		grid := make([]float32, c.cols*c.rows)
		tr := make([]truth, c.rows)
		for y := range c.rows {
			h := (float64(y) + .5) / float64(c.rows)
			for x := range c.cols {
				w := (float64(x) + .5) / float64(c.cols)
				// Exposure [t-exposure, t] in the place's own time.
				d := t - c.phase - c.slope*h - c.across*w
				k := int(math.Floor(d / period))
				since := d - float64(k)*period
				share := 1.0
				if since < exposure {
					share = since / exposure
				}
				v := light(k)[y*c.cols+x]
				if c.response > 0 {
					share = 1 - meanExp(since, exposure, c.response)
				}
				if share < 1 {
					v = share*v + (1-share)*light(k - 1)[y*c.cols+x]
				}
				if c.dips > 0 {
					roll, dipPeriod := c.dipSlope*h+c.dipAcross*w, period
					if c.dipHz > 0 {
						dipPeriod = 1 / c.dipHz
					}
					v *= 1 - c.dips*overlap(t-exposure-roll, t-roll, dipPeriod, c.dipLength)
				}
				if c.pwm > 0 {
					v *= 1 + c.pwm*math.Sin(2*math.Pi*2*c.hz*(t-c.slope*h))
				}
				v *= 1 + c.drift*math.Sin(2*math.Pi*t/3)
				v += 0.0005
				grid[y*c.cols+x] = float32(code(v) + c.noise*r.NormFloat64())
				if c.countNew && c.show24(k) == c.show24(k-1) {
					share = 1
				}
				if c.countNew {
					k = c.show24(k)
				}
				if x == c.cols/2 {
					tr[y] = truth{k, share}
				}
			}
		}
		frames = append(frames, Frame{Index: i, Time: t, Shown: time.Duration(t * float64(time.Second)), Grid: grid})
		truths = append(truths, tr)
		t += 1/c.fps + c.jitter*(2*r.Float64()-1)
	}
	return frames, truths
}

// meanExp is what is left of the picture before, averaged over an exposure
// that ends since after the change, of a panel with exponential response tau.
func meanExp(since, exposure, tau float64) float64 {
	a := since - exposure // start of exposure against the change
	left := 0.0
	if a < 0 {
		left = min(-a, exposure)
		a = 0
	}
	return (left + tau*(math.Exp(-a/tau)-math.Exp(-max(since, 0)/tau))) / exposure
}

// overlap returns which share of [a, b] lies in dips of that share of each
// period.
func overlap(a, b, period, length float64) float64 {
	if b <= a {
		return 0
	}
	sum := 0.0
	for k := math.Floor(a/period) - 1; k*period < b; k++ {
		lo, hi := max(a, k*period), min(b, (k+length)*period)
		if hi > lo {
			sum += hi - lo
		}
	}
	return sum / (b - a)
}

// pan is a textured plane that moves by step of the screen's width a picture.
func pan(step float64) content {
	return func(k int, y, x float64) float64 {
		x -= step * float64(k)
		return 0.25 + 0.1*math.Sin(37*x+3*y) + 0.08*math.Sin(61*x-23*y) + 0.05*math.Sin(11*y+90*x)
	}
}

// head is a still room with a head that nods and speaks a little.
func head(k int, y, x float64) float64 {
	v := 0.12 + 0.06*math.Sin(9*x)*math.Cos(7*y) + 0.03*math.Sin(40*x+30*y)
	cy := 0.45 + 0.01*math.Sin(float64(k)*0.13)
	cx := 0.5 + 0.012*math.Sin(float64(k)*0.083)
	d := math.Hypot((y-cy)/0.28, (x-cx)/0.14)
	v += 0.3 / (1 + math.Exp(14*(d-1)))
	mouth := math.Hypot((y-cy-.14)/(0.02+0.012*math.Sin(float64(k)*0.9)), (x-cx)/0.04)
	return v - 0.18/(1+math.Exp(8*(mouth-1)))
}
