package cadence

import (
	"image"
	"math"
)

// breach is a place where a pattern may be broken.
type breach struct {
	first, last    int // pictures
	repeated, lost int // pictures
	chain          int // index of the chain that it lies in
	fresh          int // new pictures of the chain before it
	odds           float32
	expected       int // place in the period that should have come
	found          int // place that came
	step           step
	stepped        bool    // only the length of the step shows it
	live           bool    // held where every picture is new
	shown          float32 // the most motion that shows in one that is held
	region         image.Rectangle
	// every is how many pictures apart the pictures of a stretch stumble;
	// 0 where there is no stretch.
	every int
}

const (
	// decisive is the evidence at which a lost picture is as likely as not.
	decisive = 5.5
	// mostLost is how many pictures can be told from the length of a step:
	// beyond that hardly anything in the picture is the same.
	mostLost = 4
	// slow is the step in pixels below which a shaking hand stops as
	// suddenly as a repeat does.
	slow = 2
	// leastEven is the change of things in the picture before a long step
	// over that in the one after it, or the reverse, below which the step
	// tells nothing. Where pictures are mixtures of two shares w and 1-w each
	// differs from the next by root(w*w+(1-w)*(1-w)) of what clean ones do, at
	// most 0.76 where the lesser share is 30 % or more, and the first clean
	// one lies up to two steps from the copy that the vectors followed.
	leastEven = 0.76
	// evenStrays is by how much that share strays in one tile: what a small thing
	// covers of a tile, and of what is behind it, changes from picture to picture.
	evenStrays = 0.2
)

// heldOdds is the log odds of a picture held too long. Where every picture is
// new, things that come to rest for one look alike; that a film frame is held
// for a picture more than its pattern says has no natural cause while anything
// moves.
func heldOdds(r *record, everyNew bool) float32 {
	odds := r.repeat - stumble
	s := r.step
	if everyNew {
		odds -= goingOn(r.alive)
	}
	shown := r.motionShown()
	switch {
	case !everyNew:
		// All that follows is in the new phase and speaks for it, too.
		odds = max(0, odds) + 0.5
		if s.tiles == 0 && r.cells < exactCells {
			odds -= 4 // hardly anything moves; the film itself may rest
		}
		if r.stirs {
			odds -= 6 // a frame of a film whose camera rests for a moment
		}
	case s.tiles > 0 && s.agree < s.tiles/2:
		// Most of what moves turns round: the bounce of a ball or of a hand.
		odds -= 5
		if r.frozen && s.agree > s.tiles/4 {
			odds += 4 // but not everything does, and all of it stops
		}
	case s.agree == 0 && r.cells < exactCells && !r.frozen:
		odds -= 4
	case s.agree == 0:
		// Nothing moves at all, as motion hardly ever comes to rest.
		odds += 0.5 - min(4.5, 25*max(0, shown-exactShare))
	default:
		odds -= 20 * max(0, shown-codedShare)
		odds += min(2, s.agree/2) - 4*(1-s.agree/s.tiles) - 3*max(0, slow-s.before) - 3*max(0, slow-s.after)
	}
	return odds
}

const (
	// exactCells is how many cells have to agree that nothing moves before
	// that says something without knowing how things move, and exactShare
	// the share of the motion that may show in them: the noise of good
	// coding.
	exactCells = 30
	exactShare = 0.06
	// codedShare is the share that the noise of poor coding shows in a
	// repeat: a quarter to 0.3 at the qualities of streaming.
	codedShare = 0.3
)

// motionShown is the share of the motion that shows in a picture that may be held.
func (r *record) motionShown() float32 {
	if r.frozen {
		return 0 // what is left is the coding's
	}
	return r.shown
}

// goingOn is what so many tiles in which things go on take from the odds that a
// picture is held: a camera that rests for a moment holds nothing else that moves.
// Poor coding may move a tile by itself.
func goingOn(tiles float32) float32 {
	const per, most = 1.5, 8
	return min(most, per*tiles)
}

// tileTerm is what the number of tiles that agree on a step adds: a leg that
// swings in one of them goes twice as far every few pictures.
func tileTerm(agree float32) float32 {
	if agree < 4 {
		return 1.5*(agree-4) + 0.5
	}
	return min(3, agree/2-1.5)
}

// stability is what a pattern that ran for n new pictures adds to the odds
// that a deviation from it is a break.
func stability(n int) float32 {
	switch {
	case n < 4:
		return -6
	case n < 8:
		return -2
	case n < 16:
		return -0.5
	}
	return 0.5
}

// confidence turns log odds into a probability.
func confidence(odds float32) float64 { return 1 / (1 + math.Exp(-float64(odds))) }

// lostBefore looks whether things went too far with the picture in the
// middle of seven new ones: then pictures were lost before it, and nothing
// else shows it. ok is false where nothing of the kind is seen.
func lostBefore(new *[7]fresh) (lost int, odds float32, ok bool) {
	const at = len(new) / 2
	s := new[at].step
	if s.agree == 0 || s.agree < 0.6*s.fit || s.fit < 0.15*s.tiles ||
		s.even < leastEven-evenStrays/float32(math.Sqrt(float64(s.fit))) {
		return 0, 0, false
	}
	lost = int(s.ratio+0.5) - 1
	off := abs(s.ratio - float32(lost+1))
	if lost < 1 || lost > mostLost || off > 0.3 {
		return 0, 0, false
	}
	e := 3 + 4*s.agree/s.fit + 3*min(1, 2*s.fit/s.tiles) + tileTerm(s.agree) - 8*off - 3*max(0, slow-s.before) - 3*max(0, slow-s.after)
	for i, x := range new {
		if i == at {
			continue
		}
		if x.step.agree == 0 {
			e -= 2.5
			continue
		}
		// The neighbours have the long step on one side; the ones beyond
		// see none of it.
		want := float32(1)
		if i == at-1 || i == at+1 {
			want = 2 / float32(lost+2)
		}
		e -= 6 * max(0, abs(x.step.ratio-want)-0.12)
	}
	return lost, e - decisive, true
}

// settle turns what was noted while the take ran into breaches with their
// final odds, in order.
func (b *builder) settle(patterns []pattern) []breach {
	var out []breach
	for _, x := range b.breaches {
		c := &b.chains[x.chain]
		if c.kind == inPattern && x.stepped && patterns[c.pattern].woven() {
			x.odds -= combed
		}
		x.odds += min(stability(x.fresh), stability(c.fresh-x.fresh))
		// A picture repeated and then one left out is one stumble: the
		// repeat stands where the lost one should.
		if k := len(out) - 1; k >= 0 && x.repeated == 0 && out[k].repeated > 0 && x.first <= out[k].last+2 {
			out[k].lost = x.lost
			out[k].step = x.step
			out[k].odds = max(out[k].odds, x.odds) + 1
			continue
		}
		out = append(out, x)
	}
	return append(append(out, b.stretches(patterns)...), b.halts(patterns)...)
}

// combed is what displacements are trusted less for where every other picture
// is woven of two instants.
const combed = 6

const (
	// solid is how many new pictures make a chain one to compare with.
	solid = 12
	// short is how many pictures without a pattern may lie where one
	// pattern gives way to another.
	short = 12
	// longestHold is how many pictures a stretch that lost some repeats at a time,
	// on average: one where every other is lost, two where two of three are. A
	// hand that jerks a camera rests for longer.
	longestHold = 2
	rests       = 2.5
)

// density is the share of new pictures among all of a chain.
func (c *chain) density(patterns []pattern) float32 {
	if c.kind == inPattern {
		p := &patterns[c.pattern]
		return float32(p.fresh) / float32(len(p.places))
	}
	return float32(c.fresh) / float32(max(1, c.fresh+c.repeats))
}

func mean(v []float32) float32 {
	if len(v) == 0 {
		return 0
	}
	var sum float32
	for _, x := range v {
		sum += x
	}
	return sum / float32(len(v))
}

// goesOn is the evidence that things go on as fast in the take's time where
// chain c takes over from a, whose new pictures come m times as densely: that
// the steps then grow m times as long.
func goesOn(a, c *chain, m float32) float32 {
	last, first, second := &a.lastStep, &c.firstSteps[0], &c.firstSteps[1]
	before, after := mean(a.tail[:min(edge, a.steps)]), mean(c.head[:min(edge, c.steps)])
	if last.agree >= 2 && first.agree >= 2 && second.agree >= 2 {
		// The last short step and the first long one stand against the mean
		// of one as short and one as long; which of the pictures at the
		// joint they are depends on where the new pattern begins.
		long, short := max(first.ratio, second.ratio), min(last.ratio, first.ratio)
		grew := (long - short) / (2 * (m - 1) / (m + 1))
		switch {
		case grew > 0.55:
			return 1.5
		case grew < 0.25 && grownOver(last) < grownEnough*(m-1):
			// Longer by nearly m on the whole, a step at the joint is misread; what only
			// gathers speed there, or did so before, falls short of four fifths of that.
			if grewTo(max(before, last.before), after, m, 0.8) {
				return 0
			}
			return -2.5
		}
		return 0
	}
	switch {
	case before == 0 || after == 0:
		return -1 // no step was seen on one side at all
	case grewTo(before, after, m, 0.6):
		return 0.7
	}
	return -1
}

// grewTo reports whether a step is m times as long as the one before, to a share.
func grewTo(before, after, m, share float32) bool {
	return after > share*m*before && after < m*before/share
}

// grownOver is by how much the steps beside one differ, as a share of the earlier:
// where the pictures of a halved stretch are mixtures of two, the first of them lies
// half a step further than the one before, and the steps grow in two halves.
func grownOver(s *step) float32 {
	if s.before == 0 {
		return 0
	}
	return s.after/s.before - 1
}

// grownEnough is the share of what the steps have to grow by that is seen of it.
const grownEnough = 0.75

// stretches finds where the pattern changes without a cut.
func (b *builder) stretches(patterns []pattern) []breach {
	// Leave out the odd pictures between two patterns.
	var at []int
	for i := range b.chains {
		c := &b.chains[i]
		if c.end-c.start < short && !c.cut && c.kind != inPattern || c.kind == inPattern && c.fresh < 3 && !c.cut {
			continue
		}
		at = append(at, i)
	}
	var out []breach
	for k := 0; k+1 < len(at); k++ {
		a, c := &b.chains[at[k]], &b.chains[at[k+1]]
		if c.cut || a.kind != inPattern || a.fresh < solid || c.kind == static {
			continue
		}
		if c.kind == inPattern && patterns[c.pattern].name == patterns[a.pattern].name {
			continue
		}
		da, dc := a.density(patterns), c.density(patterns)
		x := breach{first: c.start, last: c.start, odds: 0.5, region: c.region, chain: at[k+1]}
		x.odds += goesOn(a, c, da/dc)
		x.step = step{before: mean(a.tail[:min(edge, a.steps)]), at: mean(c.head[:min(edge, c.steps)])}
		if dc < 0.8*da {
			x.lost = int(float32(c.end-c.start)*(da-dc) + 0.5)
			if da == 1 {
				x.lost = c.repeats
			}
			x.last = c.end - 1
			x.every = max(1, int(1/dc+0.5))
			if x.lost < 3 {
				continue
			}
			if k+2 < len(at) {
				d := &b.chains[at[k+2]]
				if !d.cut && d.kind == inPattern && patterns[d.pattern].name == patterns[a.pattern].name && d.fresh >= 6 {
					x.odds += sameAfter
					k++
				}
			}
			x.odds -= goingOn(c.alive / float32(max(1, c.repeats)))
			if c.kind == irregular {
				x.odds -= 2.5 // things that come to rest between two moves look alike
				if c.repeats > longestHold*c.holds {
					x.odds -= rests
				}
				if c == &b.chains[at[len(at)-1]] {
					x.odds -= 2 // how it goes on nobody sees
				}
			}
		} else if c.kind == irregular || c.fresh < solid {
			continue
		} else {
			x.lost = 1
		}
		out = append(out, x)
	}
	return out
}

const (
	// leastHalts is how many pictures are held in a burst of halved motion that is
	// no pattern yet; fewer are a stumble each.
	leastHalts = 3
	// keepsUp is how far the steps between held pictures may be off from what
	// makes up for these: things speed up and slow down meanwhile.
	keepsUp = 0.6
)

// halts finds bursts of a few pictures in which motion is halved: pictures are
// held where each was new before and is new after, and the steps between them
// make up for it, as those of things that come to rest do not.
func (b *builder) halts(patterns []pattern) []breach {
	var out []breach
	for i := 1; i+1 < len(b.chains); i++ {
		a, c, d := &b.chains[i-1], &b.chains[i], &b.chains[i+1]
		if c.kind != irregular || c.end-c.start >= short || c.cut || d.cut || c.repeats < leastHalts || c.steps == 0 ||
			!a.runs(patterns) || !d.runs(patterns) {
			continue
		}
		// The burst ends with a step that the chain after it begins with.
		longer := 1 + float32(c.repeats)/float32(c.fresh+1)
		before, at, after := mean(a.tail[:min(edge, a.steps)]), mean(c.head[:min(edge, c.steps)]), mean(d.head[:min(edge, d.steps)])
		if least, most := keepsUp*longer, longer/keepsUp; at < least*before || at > most*before || at < least*after || at > most*after {
			continue
		}
		x := breach{first: c.start, last: c.end - 1, lost: c.repeats, chain: i, region: c.region,
			step: step{before: before, at: at, after: after}, every: int(longer + 0.5)}
		x.odds = sameAfter + 0.5 + goesOn(a, c, longer) - goingOn(c.alive/float32(c.repeats))
		out = append(out, x)
	}
	return out
}

// runs reports whether every picture of a chain is new, for long enough to
// compare with.
func (c *chain) runs(patterns []pattern) bool {
	return c.kind == inPattern && len(patterns[c.pattern].places) == 1 && c.fresh >= solid && c.steps > 0
}

// sameAfter is what it adds to the odds of a stretch that the pattern before it
// goes on after it.
const sameAfter = 1.5

// measures are the numbers behind a breach.
func (x *breach) measures(patterns []pattern, chains []chain) map[string]float64 {
	m := map[string]float64{
		"pictures_repeated": float64(x.repeated),
		"pictures_lost":     float64(x.lost),
		"phase_expected":    float64(x.expected),
		"phase_found":       float64(x.found),
	}
	if s := x.step; s.before > 0 || s.after > 0 {
		m["displacement_before_px"] = float64(s.before)
		m["displacement_px"] = float64(s.at)
		m["displacement_after_px"] = float64(s.after)
	}
	c := &chains[x.chain]
	m["new_share_after"] = float64(c.density(patterns))
	return m
}

// box is the region of a breach, the whole raster where none is known.
func (x *breach) box(w, h int) image.Rectangle {
	all := image.Rect(0, 0, w, h)
	if r := x.region.Intersect(all); !r.Empty() {
		return r
	}
	return all
}
