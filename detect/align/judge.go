package align

import (
	"math"

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
	part      []int
	parts     int
	pictures  int // of the path
}

// look takes up pictures of a path, which begins at picture first of the take.
func look(take, source *signature.Sequence, f Fit, first int, shown []int) *beside {
	v := &beside{}
	l := f.layer()
	l.barred = true
	every := len(shown)/judgedSamples + 1
	laid := map[int]*grid{}
	for t, j := range shown {
		if t > 0 && cut(take.At(first+t-1), take.At(first+t)) {
			v.parts++
		}
		if j < 0 {
			continue
		}
		v.pictures++
		if t%every != every/2 {
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
		v.own, v.laid, v.part = append(v.own, x), append(v.laid, y), append(v.part, v.parts)
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
	return solved(&a, m)
}

// solved returns x of a*x = y, for a that is symmetric and positive (Cholesky).
func solved(a *[terms][terms]float64, y smooth) smooth {
	const least = 1e-12 // where rounding has left nothing
	for i := range terms {
		for k := 0; k <= i; k++ {
			v := a[i][k]
			for m := range k {
				v -= a[i][m] * a[k][m]
			}
			if i > k {
				a[i][k] = v / a[k][k]
			} else {
				a[i][i] = math.Sqrt(max(v, least))
			}
		}
	}
	for i := range terms {
		for k := range i {
			y[i] -= a[i][k] * y[k]
		}
		y[i] /= a[i][i]
	}
	for i := terms - 1; i >= 0; i-- {
		for k := i + 1; k < terms; k++ {
			y[i] -= a[k][i] * y[k]
		}
		y[i] /= a[i][i]
	}
	return y
}

// misfit is what a path leaves of the take: the negative logarithm of its
// likelihood, in nats for a block and a picture, with what stays for a scene counted
// as some pictures; and how many pictures it shows. What is left of a block
// is taken to be spread as Cauchy's distribution about a mean that stays for a
// scene, so that single pictures, and single blocks, that are wrong altogether say
// little. Only differences between paths of the same pictures mean something.
func misfit(take, source *signature.Sequence, f Fit, first int, shown []int) (nats float64, pictures int) {
	v := look(take, source, f, first, shown)
	if len(v.own) == 0 {
		return 0, 0
	}
	var weight [signature.Blocks]float64
	for b := range weight {
		weight[b] = 1
	}
	left := make([]float32, 0, len(v.own))
	var static []float32
	total := 0.0
	for round := range judgedRounds {
		m := v.answer(&weight)
		means := make([][signature.Blocks]moments, v.parts)
		for t, own := range v.own {
			part := &means[v.part[t]]
			e := &v.left[t]
			for b, x := range own {
				// Beside the source nothing is explained.
				e[b] = x
				if y := v.laid[t][b]; x >= 0 && y >= 0 {
					for k, c := range basis(b, float64(y)) {
						e[b] -= float32(m[k] * c)
					}
				}
			}
			if round+1 == judgedRounds {
				v.rough(e, own)
			}
			for b, x := range own {
				if x >= 0 {
					part[b].add(float64(e[b]), float64(max(v.laid[t][b], 0)))
				}
			}
		}
		if round+1 < judgedRounds {
			weigh(&weight, means)
			continue
		}
		blocks := 0.0
		for b := range weight {
			// The smooth model has the slope of the response at each level in part
			// only, and what is lit up as a whole follows that alone.
			var yy, xy, n float64
			for p := range means {
				_, q, r := means[p][b].about()
				yy, xy, n = yy+q, xy+r, n+means[p][b].n
			}
			slope := float32(xy / (yy + slopeCodes*slopeCodes*n))
			left = left[:0]
			for t, own := range v.own {
				if own[b] >= 0 {
					q := &means[v.part[t]][b]
					d := v.left[t][b] - float32(q.x/q.n) - slope*(max(v.laid[t][b], 0)-float32(q.y/q.n))
					left = append(left, d*d)
				}
			}
			if len(left) > 0 {
				total += cauchy(left)
				blocks++
			}
		}
		total /= max(blocks, 1)
		static = static[:0]
		for p := range means {
			for b := range weight {
				if q := &means[p][b]; q.n > 0 {
					static = append(static, float32(q.x*q.x/q.n/q.n))
				}
			}
		}
	}
	n := float64(v.pictures)
	return (total*n + staticPictures*cauchy(static)) / (n + staticPictures), v.pictures
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

// cauchy is the mean negative logarithm of the likelihood of values, given as
// squares, under Cauchy's distribution with the scale that suits them best, but for
// a constant.
func cauchy(squares []float32) float64 {
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
	scale += judgedGrain
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
