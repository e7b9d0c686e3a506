package cadence

import "math"

// The follower finds the most likely row of patterns behind the evidence
// (a hidden Markov model, followed with the Viterbi algorithm over a window
// of fixed length). All costs are in the unit of evidence, natural logarithms
// of odds.
const (
	// stumble is what it costs to believe that a running pattern was
	// broken: about a thousand to one against any one picture.
	stumble = 7
	// doubt is what it costs to look at a picture as held. Whether it was, what
	// things do there decides with what the picture says (heldOdds).
	doubt = 5.5
	// again is what each further picture of one stumble costs.
	again = 1
	// enter and leave are the costs of a change between a pattern and none.
	enter = 4
	leave = 5
	// pause is what it costs to go between motion and stillness.
	pause, resume = 6, 3
	// free is the cost of any change where a cut or a gap allows it.
	free = 1
	// coin is the cost of explaining one sure picture by no pattern: one
	// bit.
	coin = math.Ln2
)

// lag is how many pictures of evidence are weighed together. A pattern of 25
// pictures comes round ten times in it.
const lag = 256

type kindOfState uint8

const (
	inPattern kindOfState = iota
	held                  // a picture too many at a place of a pattern
	irregular
	static
)

// node is one state of the model.
type node struct {
	kind    kindOfState
	pattern int // index in patterns
	at      int // place in the period
	place   place
	next    int // node that follows without an event; itself for held
}

type follower struct {
	patterns []pattern
	nodes    []node
	first    []int // node of place 0 of each pattern
	fields   bool
	reward   float32 // of a still picture for the static node
	score    []float32
	fresh    []float32
	best     []float32 // of each pattern
	bestAt   []int
	back     [2 * lag][]uint16
	records  [2 * lag]record
	path     [2 * lag]uint16
	steps    int // pictures followed
	done     int // pictures decided
	started  bool
}

func newFollower(fields bool, rate float64) *follower {
	f := &follower{patterns: patterns(fields), fields: fields}
	for i, p := range f.patterns {
		f.first = append(f.first, len(f.nodes))
		n := len(p.places)
		for j, at := range p.places {
			f.nodes = append(f.nodes, node{kind: inPattern, pattern: i, at: j, place: at, next: len(f.nodes) - j + (j+1)%n})
		}
		for j := range p.places {
			f.nodes = append(f.nodes, node{kind: held, pattern: i, at: j, place: place{repeat: true}, next: f.first[i] + (j+1)%n})
		}
	}
	f.nodes = append(f.nodes, node{kind: irregular, pattern: -1}, node{kind: static, pattern: -1})
	// Half a second without motion outweighs the way there and back.
	f.reward = float32((pause + resume) / (0.5 * rate))
	n := len(f.nodes)
	f.score, f.fresh = make([]float32, n), make([]float32, n)
	f.best, f.bestAt = make([]float32, len(f.patterns)), make([]int, len(f.patterns))
	for i := range f.back {
		f.back[i] = make([]uint16, n)
	}
	return f
}

// cost is how badly a record fits a node.
func (f *follower) cost(n *node, r *record) float32 {
	sure := abs(r.repeat) / top
	switch n.kind {
	case irregular:
		return coin * sure
	case static:
		if r.still {
			return -f.reward
		}
		if r.repeat > 0 {
			return 2 * sure
		}
		return 4 * sure
	}
	var c float32
	if n.place.repeat {
		c = max(0, -r.repeat)
	} else {
		c = max(0, r.repeat)
	}
	if n.kind == held {
		return c
	}
	if f.fields {
		if n.place.third {
			c += max(0, -r.third)
		} else {
			c += max(0, r.third)
		}
		return c
	}
	switch {
	case n.place.repeat:
	case n.place.half == neither:
		c += max(0, r.half)
	case n.place.half == r.side:
		c += max(0, -r.half)
	default:
		c += abs(r.half)
	}
	return c
}

// follow takes one record on.
func (f *follower) follow(r *record) {
	slot := f.steps % len(f.back)
	f.records[slot] = *r
	back := f.back[slot]
	none, rest := len(f.nodes)-2, len(f.nodes)-1
	if !f.started {
		f.started = true
		for i := range f.nodes {
			n := &f.nodes[i]
			f.score[i] = f.cost(n, r)
			switch n.kind {
			case inPattern:
				f.score[i] += f.patterns[n.pattern].price
			case held:
				f.score[i] += stumble + f.patterns[n.pattern].price
			case irregular:
				f.score[i] += leave
			}
			back[i] = uint16(i)
		}
		f.steps++
		return
	}
	// The best of each pattern and of all.
	all, allAt := float32(math.MaxFloat32), 0
	for p := range f.patterns {
		f.best[p] = math.MaxFloat32
		n := len(f.patterns[p].places)
		for i := f.first[p]; i < f.first[p]+2*n; i++ {
			if f.score[i] < f.best[p] {
				f.best[p], f.bestAt[p] = f.score[i], i
			}
		}
		if f.best[p] < all {
			all, allAt = f.best[p], f.bestAt[p]
		}
	}
	loose := r.cut || r.gap
	jump, change := float32(stumble), float32(stumble)+1
	toNone, toRest := float32(leave), float32(pause)
	fromNone, fromRest := float32(enter), float32(resume)
	if loose {
		jump, change, toNone, toRest, fromNone, fromRest = free, free, free, free, free, free
	}
	none0, rest0 := f.score[none], f.score[rest]
	for p := range f.patterns {
		price := f.patterns[p].price
		// The cheapest way in from outside.
		in, inAt := all+change+price, allAt
		if v := none0 + fromNone + price; v < in {
			in, inAt = v, none
		}
		if v := rest0 + fromRest + price; v < in {
			in, inAt = v, rest
		}
		if v := f.best[p] + jump; v < in {
			in, inAt = v, f.bestAt[p]
		}
		n := len(f.patterns[p].places)
		at := f.first[p]
		for j := range n {
			i := at + j
			before := at + (j+n-1)%n
			v, from := f.score[before], before
			if h := f.score[before+n]; h < v { // from held at the place before
				v, from = h, before+n
			}
			if in < v {
				v, from = in, inAt
			}
			f.fresh[i] = v + f.cost(&f.nodes[i], r)
			back[i] = uint16(from)
			// held
			v, from = f.score[i]+doubt, i
			if h := f.score[i+n] + again; h < v {
				v, from = h, i+n
			}
			f.fresh[i+n] = v + f.cost(&f.nodes[i+n], r)
			back[i+n] = uint16(from)
		}
	}
	v, from := none0, none
	if u := all + toNone; u < v {
		v, from = u, allAt
	}
	if u := rest0 + fromRest; u < v {
		v, from = u, rest
	}
	f.fresh[none], back[none] = v+f.cost(&f.nodes[none], r), uint16(from)
	v, from = rest0, rest
	if u := all + toRest; u < v {
		v, from = u, allAt
	}
	if u := none0 + toRest; u < v {
		v, from = u, none
	}
	f.fresh[rest], back[rest] = v+f.cost(&f.nodes[rest], r), uint16(from)

	least := f.fresh[0]
	for _, v := range f.fresh {
		least = min(least, v)
	}
	for i := range f.fresh {
		f.fresh[i] -= least
	}
	f.score, f.fresh = f.fresh, f.score
	f.steps++
}

// settle decides on the oldest pictures: all of them after the last one,
// otherwise those with a full lag of evidence behind them.
func (f *follower) settle(last bool, decided func(r *record, n *node, expected bool)) {
	waiting := f.steps - f.done
	if waiting == 0 || !last && waiting < len(f.back) {
		return
	}
	at := 0
	for i, v := range f.score {
		if v < f.score[at] {
			at = i
		}
	}
	for i := f.steps - 1; i >= f.done; i-- {
		f.path[i%len(f.path)] = uint16(at)
		at = int(f.back[i%len(f.back)][at])
	}
	until := f.steps
	if !last {
		until -= lag
	}
	for ; f.done < until; f.done++ {
		slot := f.done % len(f.back)
		n := int(f.path[slot])
		// The state before is what the trace says now, also where an
		// earlier trace decided on another: only the way here counts.
		from := int(f.back[slot][n])
		expected := from == n && f.nodes[n].kind != inPattern || f.nodes[n].kind == inPattern && f.nodes[from].kind != irregular && f.nodes[from].kind != static && f.nodes[from].next == n
		decided(&f.records[slot], &f.nodes[n], expected)
	}
}
