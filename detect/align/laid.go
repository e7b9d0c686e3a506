package align

// laidViews keeps the views of the source, displaced, as long as they are near.
type laidViews struct {
	c            *closer
	across, down []betweenTwo
	kept         map[int]*plane
	spare        []*plane
}

func (c *closer) laid(by *displaced) *laidViews {
	return &laidViews{
		c: c, kept: map[int]*plane{},
		across: between(1+by[2]/viewCols, (by[0]-by[2]/2)/viewCols, viewCols),
		down:   between(1+by[3]/viewRows, (by[1]-by[3]/2)/viewRows, viewRows),
	}
}

// at is picture j of the source, nil if it was not read.
func (l *laidViews) at(j int) *plane {
	if p := l.kept[j]; p != nil {
		return p
	}
	v := l.c.sources[j]
	if v == nil {
		return nil
	}
	for k, p := range l.kept {
		if k < j-2*viewReach-2 || k > j+2*viewReach+2 {
			l.spare = append(l.spare, p)
			delete(l.kept, k)
		}
	}
	var p *plane
	if n := len(l.spare); n > 0 {
		p, l.spare = l.spare[n-1], l.spare[:n-1]
	} else {
		p = new(plane)
	}
	for y, d := range l.down {
		from, next, out := v[d.at*viewCols:][:viewCols], v[(d.at+1)*viewCols:][:viewCols], p[y*viewCols:][:viewCols]
		for x, a := range l.across {
			u := float32(from[a.at])*(1-a.share) + float32(from[a.at+1])*a.share
			v := float32(next[a.at])*(1-a.share) + float32(next[a.at+1])*a.share
			out[x] = (u*(1-d.share) + v*d.share) / evenUnit
		}
	}
	l.kept[j] = p
	return p
}

// changes are the pictures before and after j, and what their difference is to be
// multiplied by for that from one to the next.
func (l *laidViews) changes(j int) (before, after *plane, each float32) {
	before, after, each = l.at(j-1), l.at(j+1), 0.5
	if before == nil {
		before, each = l.at(j), 1
	}
	if after == nil {
		after, each = l.at(j), 1
	}
	return before, after, each
}
