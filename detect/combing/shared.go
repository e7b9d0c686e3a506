package combing

import (
	"image"
	"math"

	"setwitness/decode/picture"
)

// A set that weaves live fields as they come gives out pictures each of which has one
// field in common with the picture before, and the other with the one after. That
// tells a comb where no displacement of its fields does: of a thing before a
// background with detail of its own, one field shows what the other hides.

// sharedLeft is the share of the difference between the fields that a codec may leave
// between two pictures of one field: the residual of what moves is coded as coarsely as
// its edges, at a tenth to a sixth of them (measured on x264 at crf 23).
const sharedLeft = 0.2

// shared reports whether the picture of a look shares one field with the picture before
// and the other with the one after, and fills in the displacement between its fields
// from that of the field that is new. One neighbour alone tells nothing: the picture
// after a burst shares a field with the last one in it.
func (l *looker) shared(k *look, before, after *picture.Plane, noise float64, r image.Point) bool {
	still := l.cost(&l.own, l.few, 0, 0)
	other := followed*still + noise*costNoise
	with := func(q *picture.Plane) (field int, left float64) {
		compare := l.compare
		same := func(float64) float64 { return sharedLeft*still + noise*costNoise }
		if k.carrier != woven {
			compare = l.compareLoaded(k, q, image.Point{})
			same = func(changed float64) float64 { return scaledField * changed }
		}
		even, odd := compare(q, 0, 0)
		return sharedField(even, odd, other, same), min(even, odd)
	}
	field, leftBefore := with(before)
	last, leftAfter := with(after)
	if field*last >= 0 {
		return false
	}
	// The field that is new moves by two steps between fields.
	d, ok := l.moved(before, k.carrier, field > 0, r)
	if !ok {
		// What flies may go by more than its length, up as well as along the line.
		if d, ok = l.moved(before, k.carrier, field > 0, r.Mul(farReach)); !ok {
			return false
		}
	}
	k.dx, k.dy = float64(field*d.X)/2, float64(field*d.Y)/2
	k.still, k.along = still, (leftBefore+leftAfter)/2
	k.edge, k.far = false, false
	return math.Abs(k.dx) >= leastDX || math.Abs(k.dy) >= leastDY
}

// moved searches the displacement of one field of the last look from another picture,
// up to twice that between fields: the one that explains most of the points at which
// the field has changed. Some show what was hidden, which nothing explains; ok where
// enough do show what was there.
func (l *looker) moved(from *picture.Plane, c carrier, odd bool, r image.Point) (best image.Point, ok bool) {
	f, g := &l.own, &l.near
	rx, ry := 2*r.X, 2*r.Y/f.step
	g.load(from, c, f.x-rx, f.y-ry*f.step, f.w+2*rx, f.h+2*ry)
	own, then := f.even, g.even
	if odd {
		own, then = f.odd, g.odd
	}
	at := func(p point, dx, dy int) int {
		return abs(int(own[p.at]) - int(then[(int(p.y)+ry-dy)*g.w+int(p.x)+rx-dx]))
	}
	changed := 0
	for _, p := range l.few {
		changed += at(p, 0, 0)
	}
	mean := changed / len(l.few)
	l.few2 = l.few2[:0]
	for _, p := range l.few {
		if at(p, 0, 0) >= mean {
			l.few2 = append(l.few2, p)
		}
	}
	limit := int(pointExplained * float64(mean))
	most := int(math.Ceil(bothWays * float64(len(l.few2))))
	try := func(dx, dy int) {
		n := 0
		for _, p := range l.few2 {
			if at(p, dx, dy) < limit {
				n++
			}
		}
		if n > most {
			most, best, ok = n, image.Pt(dx, dy), true
		}
	}
	// Edges of pictures are two samples wide and more.
	for dy := -ry; dy <= ry; dy += 2 {
		for dx := -rx; dx <= rx; dx += 2 {
			try(dx, dy)
		}
	}
	for near, i := best, 0; ok && i < 9; i++ {
		try(near.X+i%3-1, near.Y+i/3-1)
	}
	best.Y *= f.step
	return best, ok
}

// sharedOdds is what a look is worth whose fields both neighbours share.
func (k *look) sharedOdds() float64 {
	return prior + burstWeight - k.few()
}
