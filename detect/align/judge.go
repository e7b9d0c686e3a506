package align

import (
	"math"

	"setwitness/decode/leastsquares"
	"setwitness/detect/signature"
)

// terms of the smooth model of a response: a constant, the level and its square,
// light that falls into the picture, and a gain that falls off to the corners.
const terms = 9

// smooth is how a take answers its source as a whole, by level and place, in a few
// numbers.
type smooth [terms]float64

// basis returns the terms of a block at a level in codes.
func basis(b int, level float64) [terms]float64 {
	u := (float64(b%signature.Cols)+0.5)/signature.Cols*2 - 1
	v := (float64(b/signature.Cols)+0.5)/signature.Rows*2 - 1
	y := level / middleCode
	return [terms]float64{1, y, y * y, u, v, u * u, v * v, u * v, y * (u*u + v*v)}
}

const (
	// middleCode is the level by which others are stated in the smooth model.
	middleCode = 128
	// So many pictures of a path say how the take answers its source, and so many
	// how well.
	smoothSamples, judgedSamples = 24, 200
	// ridge keeps terms small of which the content does not tell, as a share of
	// the values.
	ridge = 1e-4
	// Blocks that stand apart from the model weigh less: so many rounds find them.
	judgedRounds = 2
	// What stays for a scene says as much as so many pictures of what changes.
	staticPictures = 30
	// A block has a slope of its own, beside the model's, where the source changes
	// by more than so many codes, root mean square.
	slopeCodes = 2
	// Steps after which a scale changes what follows from it by less than a
	// hundredth.
	cauchySteps = 10
	// What a block's mean is good for at best in the judgement of a path, as
	// variance in codes: half the grain of one that is coded.
	judgedGrain = grain * grain / 4
)

// beside is a path with the pictures of the source laid into the take's.
type beside struct {
	own, laid []*grid // codes of the blocks, of each picture looked at; below 0 where not known
	left      []grid
	part, at  []int // the scene of each, and which of the path it is
	parts     int
	every     int // of so many one is looked at
	pictures  int // of the path
}

// look takes up pictures of a path, which begins at picture first of the take.
func look(take, source *signature.Sequence, f Fit, first int, shown []int) *beside {
	v := &beside{every: len(shown)/judgedSamples + 1}
	l := f.layer()
	l.barred = true
	laid := map[int]*grid{}
	for t, j := range shown {
		if t > 0 && cut(take.At(first+t-1), take.At(first+t)) {
			v.parts++
		}
		if j < 0 {
			continue
		}
		v.pictures++
		if t%v.every != v.every/2 {
			continue
		}
		y := laid[j]
		if y == nil {
			y = new(grid)
			l.lay((*[signature.Blocks]float32)(y), source.At(j))
			for b := range y {
				y[b] /= signature.Unit8
			}
			y.softenKnown()
			laid[j] = y
		}
		x := new(grid)
		for b, c := range take.At(first + t) {
			x[b] = float32(c) / signature.Unit8
			if c == signature.Unknown {
				x[b] = -1
			}
		}
		x.softenKnown()
		v.own, v.laid = append(v.own, x), append(v.laid, y)
		v.part, v.at = append(v.part, v.parts), append(v.at, t)
	}
	v.parts++
	v.left = make([]grid, len(v.own))
	return v
}

// softenKnown softens what is not below 0.
func (g *grid) softenKnown() {
	var known [signature.Blocks]bool
	for b, v := range g {
		known[b] = v >= 0
	}
	g.soften(&known)
}

// answer fits the smooth model by least squares.
func (v *beside) answer(weight *[signature.Blocks]float64) (m smooth) {
	var a [terms][terms]float64
	every := len(v.own)/smoothSamples + 1
	for t := every / 2; t < len(v.own); t += every {
		for b, x := range v.own[t] {
			y := v.laid[t][b]
			if x < 0 || y < 0 {
				continue
			}
			row := basis(b, float64(y))
			w := weight[b]
			for i := range terms {
				for k := 0; k <= i; k++ {
					a[i][k] += w * row[i] * row[k]
				}
				m[i] += w * row[i] * float64(x)
			}
		}
	}
	n := ridge * a[0][0]
	for i := range terms {
		a[i][i] += n
	}
	m[1] += n * middleCode // a gain of one, if in doubt
	x, ok := leastsquares.Solve(func(i, k int) float64 { return a[k][i] }, m[:])
	if !ok {
		return smooth{1: middleCode} // as it is
	}
	return smooth(x)
}

// misfit is what a path leaves of the take: the negative logarithm of its
// likelihood, in nats for a block and a picture, with what stays for a scene counted
// as some pictures; and how many pictures it shows. Only differences between paths of
// the same pictures mean something.
func misfit(take, source *signature.Sequence, f Fit, first int, shown []int) (nats float64, pictures int) {
	v := look(take, source, f, first, shown)
	if len(v.own) == 0 {
		return 0, 0
	}
	j := judge(v)
	n := float64(v.pictures)
	return (j.nats*n + staticPictures*j.static) / (n + staticPictures), v.pictures
}

// judgement is how a take answers its source along a path, and how well. What is left
// of a block is taken to be spread as Cauchy's distribution about a mean that stays
// for a scene, so that single pictures, and single blocks, that are wrong altogether
// say little.
type judgement struct {
	of    smooth
	means [][signature.Blocks]moments // of each part: of what the smooth model leaves, and of the source
	// The smooth model has the slope of the response at each level in part only, and
	// what is lit up as a whole follows that alone.
	slope, scale [signature.Blocks]float32
	nats, static float64 // of what changes and of what stays, for a block
}

func judge(v *beside) *judgement {
	j := &judgement{}
	var weight [signature.Blocks]float64
	for b := range weight {
		weight[b] = 1
	}
	for round := range judgedRounds {
		j.of = v.answer(&weight)
		j.means = make([][signature.Blocks]moments, v.parts)
		for t, own := range v.own {
			e := &v.left[t]
			j.leave(e, own, v.laid[t])
			if round+1 == judgedRounds {
				v.rough(e, own)
			}
			for b, x := range own {
				if x >= 0 {
					j.means[v.part[t]][b].add(float64(e[b]), float64(max(v.laid[t][b], 0)))
				}
			}
		}
		if round+1 < judgedRounds {
			weigh(&weight, j.means)
		}
	}
	left := make([]float32, 0, len(v.own))
	blocks := 0.0
	for b := range weight {
		var yy, xy, n float64
		for p := range j.means {
			_, q, r := j.means[p][b].about()
			yy, xy, n = yy+q, xy+r, n+j.means[p][b].n
		}
		j.slope[b] = float32(xy / (yy + slopeCodes*slopeCodes*n))
		left = left[:0]
		for t, own := range v.own {
			if own[b] >= 0 {
				left = append(left, j.square(b, v.part[t], v.left[t][b], v.laid[t][b]))
			}
		}
		if len(left) > 0 {
			j.scale[b] = scale(left)
			j.nats += cauchy(left, j.scale[b])
			blocks++
		}
	}
	j.nats /= max(blocks, 1)
	var static []float32
	for p := range j.means {
		for b := range weight {
			if q := &j.means[p][b]; q.n > 0 {
				static = append(static, float32(q.x*q.x/q.n/q.n))
			}
		}
	}
	j.static = cauchy(static, scale(static))
	return j
}

// leave fills in what the smooth model leaves of a picture; beside the source nothing is
// explained.
func (j *judgement) leave(e, own, laid *grid) {
	for b, x := range own {
		e[b] = x
		if y := laid[b]; x >= 0 && y >= 0 {
			for k, c := range basis(b, float64(y)) {
				e[b] -= float32(j.of[k] * c)
			}
		}
	}
}

// square is that of what is left of a block in the end.
func (j *judgement) square(b, part int, left, laid float32) float32 {
	q := &j.means[part][b]
	d := left - float32(q.x/q.n) - j.slope[b]*(max(laid, 0)-float32(q.y/q.n))
	return d * d
}

// each is what the pictures of another path of the same take leave, in nats for a
// block, where it is judged by this one's answer.
func (j *judgement) each(v *beside) []float64 {
	out := make([]float64, len(v.own))
	for t, own := range v.own {
		e := &v.left[t]
		j.leave(e, own, v.laid[t])
		v.rough(e, own)
		n := 0.0
		for b, x := range own {
			if x >= 0 && j.means[v.part[t]][b].n > 0 {
				s := float64(j.scale[b])
				out[t] += math.Log(s+float64(j.square(b, v.part[t], e[b], v.laid[t][b]))) - math.Log(s)/2
				n++
			}
		}
		out[t] /= max(n, 1)
	}
	return out
}

// rough takes off what is left smoothly over the picture: a codec lets the
// brightness of what is at rest follow late.
func (v *beside) rough(e, own *grid) {
	var ones, counts, sums grid
	for b, x := range own {
		if ones[b] = 1; x < 0 {
			e[b], ones[b] = 0, 0
		}
	}
	ones.about(&counts)
	e.about(&sums)
	for b, n := range counts {
		if n > 0 {
			e[b] -= sums[b] / n
		}
	}
}

// weigh gives those blocks less weight whose mean the smooth model does not
// explain: a caption that only the take has.
func weigh(weight *[signature.Blocks]float64, means [][signature.Blocks]moments) {
	var static [signature.Blocks]float64
	usual := 0.0
	for b := range static {
		var squares, n float64
		for p := range means {
			if q := &means[p][b]; q.n > 0 {
				squares, n = squares+q.x*q.x/q.n, n+q.n
			}
		}
		static[b] = squares / max(n, 1)
		usual += math.Log(static[b] + grain*grain)
	}
	usual = math.Exp(usual / signature.Blocks)
	for b, s := range static {
		weight[b] = 1 / (1 + s/(usualTimes*usualTimes*usual))
	}
}

// scale is that of Cauchy's distribution that suits values best, given as squares.
func scale(squares []float32) float32 {
	scale := float32(0)
	for _, d := range squares {
		scale += d
	}
	scale /= float32(len(squares))
	// Expectation and maximisation, each of which is a step towards the best.
	for range cauchySteps {
		sum := float32(0)
		for _, d := range squares {
			sum += d / (d + scale + judgedGrain)
		}
		scale = 2 * (scale + judgedGrain) * sum / float32(len(squares))
	}
	return scale + judgedGrain
}

// cauchy is the mean negative logarithm of the likelihood of values, given as
// squares, under Cauchy's distribution with a scale, but for a constant.
func cauchy(squares []float32, scale float32) float64 {
	product, nats := 1.0, 0.0
	for i, d := range squares {
		product *= float64(scale + d)
		if i%8 == 7 {
			nats += math.Log(product)
			product = 1
		}
	}
	return (nats+math.Log(product))/float64(len(squares)) - math.Log(float64(scale))/2
}
