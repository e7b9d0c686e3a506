package origin

import (
	"fmt"
	"math"
)

// Showing is one picture of a take around a break of the cadence, with those of
// the source that it may show.
type Showing struct {
	Take *Reduced
	Due  int // place in the sources of the one that is due; -1 where it is not known
}

const (
	// DueReach is how many pictures before and after the one due a take is
	// looked for.
	DueReach = 2
	// sidesWith is how far a picture has to be on the way from one picture of the
	// source to another, -1 to 1, to show the other: in the middle lies a mixture
	// of both.
	sidesWith = 0.5
	// apart is by how many times the noise two pictures of the source have to
	// differ, all samples together: what lies on the way between them is then
	// measured to a fifth.
	apart = 10
	// Only samples count that differ by so many times the noise of one, which noise
	// passes in one of 400: where a source repeats a picture, coding leaves less, in
	// which the take may side with either.
	clearly = 3
	// leastSure is the share of the pictures of which it has to be clear what they
	// show.
	leastSure = 0.5
)

// Played compares the pictures that are shown around a break with those that are
// due, by what moves in them: the alignment goes by small signatures, and
// may take a single picture that comes late for noise. Where all come the same
// number of pictures late, that is the alignment's own.
func Played(list []Showing, sources []*Reduced, m Map) Difference {
	d := Difference{What: "pictures that are not the ones due", Beside: true}
	laid := map[int][]float32{}
	var known [][]look
	counts := map[int]int{}
	for _, s := range list {
		looks := s.looks(sources, laid, m)
		known = append(known, looks)
		if best, ok := likeliest(looks); ok {
			counts[best.late]++
		}
	}
	usual := 0
	for late, n := range counts {
		if n > counts[usual] || n == counts[usual] && abs(late) < abs(usual) {
			usual = late
		}
	}
	wrong, right := 0, 0
	for _, looks := range known {
		switch shows(looks, usual) {
		case other:
			wrong++
		case due:
			right++
		}
	}
	if sure := wrong + right; sure == 0 || float64(sure) < leastSure*float64(len(list)) {
		return d
	}
	d.Known = true
	if wrong > 0 {
		d.Share, d.Left = 0, 1
		d.What = fmt.Sprintf("pictures that are not the ones due (%d of %d)", wrong, wrong+right)
	} else {
		d.Share, d.Left = 1, 0
	}
	return d
}

func abs(v int) int { return max(v, -v) }

// look is a picture of the source laid on one of the take.
type look struct {
	late     int // pictures after the one that is due, in the source
	residual float64
	pix      []float64 // with the take's gain and offset
}

// looks lays the pictures of the source around the one due on the take's.
func (s *Showing) looks(sources []*Reduced, laid map[int][]float32, m Map) []look {
	if s.Take == nil || s.Due < 0 {
		return nil
	}
	var out []look
	for k := s.Due - DueReach; k <= s.Due+DueReach; k++ {
		if k < 0 || k >= len(sources) || sources[k] == nil {
			continue
		}
		pix, ok := laid[k]
		if !ok {
			pix = s.Take.Lay(sources[k], m)
			laid[k] = pix
		}
		if len(pix) != len(s.Take.Pix) {
			continue
		}
		has := make([]bool, len(pix))
		for i, v := range pix {
			has[i] = v >= 0
		}
		_, gain, offset, ok := regress(s.Take.Pix, pix, has)
		if !ok {
			continue
		}
		l := look{late: k - s.Due, pix: make([]float64, len(pix))}
		for i, v := range pix {
			if !has[i] {
				l.pix[i] = math.NaN()
				continue
			}
			l.pix[i] = gain*float64(v) + offset
			e := float64(s.Take.Pix[i]) - l.pix[i]
			l.residual += e * e
		}
		out = append(out, l)
	}
	return out
}

// Lay brings a picture of the source to the samples of one of the take; -1 where
// it has none.
func (r *Reduced) Lay(source *Reduced, m Map) []float32 {
	out := make([]float32, len(r.Pix))
	for y := range r.H {
		for x := range r.W {
			v, _, _, ok := source.at(source.fromFrame(m.At(r.toFrame(float64(x), float64(y)))))
			if !ok {
				v = -1
			}
			out[y*r.W+x] = float32(v)
		}
	}
	return out
}

func likeliest(looks []look) (best look, ok bool) {
	for _, l := range looks {
		if !ok || l.residual < best.residual {
			best, ok = l, true
		}
	}
	return best, ok
}

// shown is what is known of one picture of a take.
type shown int

const (
	unclear shown = iota
	due
	other
)

// shows tells whether the picture that is so many late is shown, or another.
func shows(looks []look, late int) shown {
	best, ok := likeliest(looks)
	if !ok {
		return unclear
	}
	var expected *look
	for i := range looks {
		if looks[i].late == late {
			expected = &looks[i]
		}
	}
	if expected == nil {
		return unclear
	}
	moved := false
	verdict := due
	for i := range looks {
		l := &looks[i]
		if l == expected {
			continue
		}
		n := 0.0
		for k, v := range l.pix {
			if !math.IsNaN(v) && !math.IsNaN(expected.pix[k]) {
				n++
			}
		}
		noise := best.residual / max(n, 1)
		var between, moves float64
		for k, v := range l.pix {
			if d := v - expected.pix[k]; !math.IsNaN(d) {
				if between += d * d; d*d > clearly*clearly*noise {
					moves += d * d
				}
			}
		}
		if moves < apart*apart*noise {
			continue // the source itself shows the same
		}
		moved = true
		switch towards := (expected.residual - l.residual) / between; {
		case towards > sidesWith:
			return other
		case towards > -sidesWith:
			verdict = unclear
		}
	}
	if !moved {
		return unclear
	}
	return verdict
}
