package align

import (
	"math"

	"setwitness/decode/leastsquares"
	"setwitness/detect/signature"
)

// pairing is a picture of the take and the one of the source that it shows.
type pairing struct{ take, source int }

const (
	// What differs smoothly over the picture (response, fall-off to the corners,
	// light in the room) is taken off with the mean of so many blocks to either
	// side.
	smoothReach = 2
	// Detail of less than so many codes is mostly what coding leaves.
	roughCodes = 1.
	// Scales and centres are known well enough, in shares of the picture, when a
	// step of the search moves them by less, and one step moves them by no more
	// than a block.
	placedShare, mostShare = 2e-4, 1. / signature.Cols
	placeSteps             = 10
	// Slopes are taken over such a share.
	probe = 2e-3
	// A block that is off by more than so many times what is usual counts less:
	// a caption or a reflection that only one of both has.
	usualTimes = 2.
	// Steps are shortened by this, as what they start from is curved.
	damping = 1e-3
)

// parameters of a fit: scale and centre across, scale and centre down.
const parameters = 4

// moved is a fit with one parameter changed by a share.
func (f Fit) moved(parameter int, by float64) Fit {
	switch parameter {
	case 0:
		f.OffsetX -= f.ScaleX * by / 2
		f.ScaleX *= 1 + by
	case 1:
		f.OffsetX += by
	case 2:
		f.OffsetY -= f.ScaleY * by / 2
		f.ScaleY *= 1 + by
	case 3:
		f.OffsetY += by
	}
	return f
}

type grid [signature.Blocks]float32

// place moves a fit so that pictures of the source lie on the take's as well as
// they can (Gauss-Newton), by two witnesses: what is not smooth in each picture,
// whether it moves or not, and what changes from one pair to the next. It returns
// how well both correlate, as a logarithm of what is left, in nats.
func place(take, source *signature.Sequence, pairs []pairing, f Fit) (Fit, float64) {
	var still, moving witness
	score := 0.0
	for range placeSteps {
		layers := [parameters + 1]*layer{f.layer()}
		for k := range parameters {
			layers[k+1] = f.moved(k, probe).layer()
		}
		still.begin()
		moving.begin()
		var before, now view
		for i, p := range pairs {
			now.look(layers[:], take.At(p.take), source.At(p.source))
			now.soften()
			if i > 0 {
				change := now.less(&before)
				change.tell(&moving)
			}
			before = now
			now.roughen()
			now.tell(&still)
		}
		var n normal
		n.join(&still)
		n.join(&moving)
		score = still.score() + moving.score()
		d, ok := n.solve()
		if !ok {
			return f, score
		}
		largest := 0.0
		for k := range parameters {
			by := min(max(d[k], -mostShare), mostShare)
			largest = max(largest, math.Abs(by))
			f = f.moved(k, by)
		}
		if largest < placedShare {
			break
		}
	}
	return f, score
}

// view is a picture of the take and that of the source laid into it, by a fit and
// by those with one parameter changed.
type view struct {
	own   grid
	laid  [parameters + 1]grid
	known [signature.Blocks]bool
}

func (v *view) look(layers []*layer, take, source []uint16) {
	for k, l := range layers {
		l.lay((*[signature.Blocks]float32)(&v.laid[k]), source)
	}
	for b, x := range take {
		v.own[b], v.known[b] = float32(x)/signature.Unit8, x != signature.Unknown
		for k := range v.laid {
			v.known[b] = v.known[b] && v.laid[k][b] >= 0
			v.laid[k][b] /= signature.Unit8
		}
	}
}

// less is what changed since another view.
func (v *view) less(before *view) view {
	out := *v
	for b := range out.own {
		out.own[b] -= before.own[b]
		out.known[b] = v.known[b] && before.known[b]
		for k := range out.laid {
			out.laid[k][b] -= before.laid[k][b]
		}
	}
	return out
}

// tell gives all blocks that are known to a witness.
func (v *view) tell(w *witness) {
	for b, ok := range v.known {
		if !ok {
			continue
		}
		var laid [parameters + 1]float64
		for k := range laid {
			laid[k] = float64(v.laid[k][b])
		}
		w.add(float64(v.own[b]), &laid)
	}
}

func (v *view) soften() {
	v.own.soften(&v.known)
	for k := range v.laid {
		v.laid[k].soften(&v.known)
	}
}

func (v *view) roughen() {
	var ones, counts grid
	for b, ok := range v.known {
		if ok {
			ones[b] = 1
		}
	}
	ones.about(&counts)
	v.own.roughen(&v.known, &counts)
	for k := range v.laid {
		v.laid[k].roughen(&v.known, &counts)
	}
}

// witness is what one kind of evidence says of a fit.
type witness struct {
	// Sums of products of the value that the fit predicts, and its slopes by each
	// parameter, with each other and with the take's.
	squares    [parameters + 1][parameters + 1]float64
	products   [parameters + 1]float64
	xx, yy, xy float64
	n          float64

	gain, usual float64 // of the step before; usual is a square, 0 if not known
}

// begin forgets the sums of the step before, but not what they said of gain and
// noise.
func (w *witness) begin() { *w = witness{gain: w.gain, usual: w.usual} }

// add takes up a value of the take, what the fit predicts, and that with one
// parameter changed.
func (w *witness) add(x float64, laid *[parameters + 1]float64) {
	y := laid[0]
	w.xx, w.yy, w.xy, w.n = w.xx+x*x, w.yy+y*y, w.xy+x*y, w.n+1
	row := [parameters + 1]float64{y}
	for k := range parameters {
		row[k+1] = (laid[k+1] - y) / probe
	}
	weight := 1.0
	if w.usual > 0 {
		e := x - w.gain*y
		weight = 1 / (1 + e*e/(usualTimes*usualTimes*w.usual))
	}
	for i, p := range row {
		for k := 0; k <= i; k++ {
			w.squares[i][k] += weight * p * row[k]
		}
		w.products[i] += weight * p * x
	}
}

// score is how well the fit predicts, as the logarithm of what is left, in nats
// for each value.
func (w *witness) score() float64 {
	const most = 0.9999 // correlation, that none is perfect
	if w.xx == 0 || w.yy == 0 {
		return 0
	}
	r := min(max(w.xy/math.Sqrt(w.xx*w.yy), 0), most)
	return -math.Log(1-r*r) / 2
}

// normal are the normal equations of the parameters.
type normal struct {
	a [parameters][parameters]float64
	b [parameters]float64
}

// join adds what a witness says, its gain being as it may.
func (n *normal) join(w *witness) {
	s := &w.squares
	if w.yy == 0 || w.xy <= 0 || s[0][0] == 0 {
		return
	}
	w.gain, w.usual = w.xy/w.yy, max(w.xx-w.xy*w.xy/w.yy, 0)/w.n
	if w.usual == 0 {
		w.usual = grain * grain
	}
	for i := range parameters {
		for k := 0; k <= i; k++ {
			n.a[i][k] += w.gain * w.gain / w.usual * (s[i+1][k+1] - s[i+1][0]*s[k+1][0]/s[0][0])
		}
		n.b[i] += w.gain / w.usual * (w.products[i+1] - s[i+1][0]*w.products[0]/s[0][0])
	}
}

// solve returns the steps of the parameters; ok is false where the values do not tell.
func (n *normal) solve() (d [parameters]float64, ok bool) {
	x, ok := leastsquares.Solve(func(i, k int) float64 {
		if i == k {
			return n.a[i][i] * (1 + damping)
		}
		return n.a[k][i]
	}, n.b[:])
	copy(d[:], x)
	return d, ok
}

// about sums a grid in the neighbourhood of each block.
func (g *grid) about(sums *grid) {
	const w, h = signature.Cols, signature.Rows
	var rows grid
	for at := 0; at < signature.Blocks; at += w {
		from, to := g[at:][:w], rows[at:][:w]
		sum := float32(0)
		for x := range smoothReach {
			sum += from[x]
		}
		for x := range w {
			if x+smoothReach < w {
				sum += from[x+smoothReach]
			}
			if x > smoothReach {
				sum -= from[x-smoothReach-1]
			}
			to[x] = sum
		}
	}
	var sum [w]float32
	add := func(y int, sign float32) {
		for x, v := range rows[y*w:][:w] {
			sum[x] += sign * v
		}
	}
	for y := range smoothReach {
		add(y, 1)
	}
	for y := range h {
		if y+smoothReach < h {
			add(y+smoothReach, 1)
		}
		if y > smoothReach {
			add(y-smoothReach-1, -1)
		}
		copy(sums[y*w:], sum[:])
	}
}

// soften takes off what is finer than two blocks, with weights of 1, 2 and 1: the
// means of blocks alias, so that what a part of a block away does to it cannot be
// told from them.
func (g *grid) soften(known *[signature.Blocks]bool) {
	const w, h = signature.Cols, signature.Rows
	var rows grid
	for b, v := range g {
		x := b % w
		l, r := v, v
		if x > 0 && known[b-1] {
			l = g[b-1]
		}
		if x < w-1 && known[b+1] {
			r = g[b+1]
		}
		rows[b] = (l + 2*v + r) / 4
	}
	for b, v := range rows {
		u, d := v, v
		if b >= w && known[b-w] {
			u = rows[b-w]
		}
		if b < (h-1)*w && known[b+w] {
			d = rows[b+w]
		}
		if known[b] {
			g[b] = (u + 2*v + d) / 4
		}
	}
}

// roughen takes off what is smooth, and evens out what is left: light that falls
// off, and a response that is steeper in the dark, change both. Counts are how many
// blocks are known about each.
func (g *grid) roughen(known *[signature.Blocks]bool, counts *grid) {
	for b, ok := range known {
		if !ok {
			g[b] = 0
		}
	}
	var sums, squares grid
	g.about(&sums)
	for b, ok := range known {
		if ok {
			g[b] -= sums[b] / counts[b]
			squares[b] = g[b] * g[b]
		}
	}
	squares.about(&sums)
	for b, ok := range known {
		if ok {
			g[b] /= float32(math.Sqrt(float64(max(sums[b], 0)/counts[b]) + roughCodes*roughCodes))
		}
	}
}
