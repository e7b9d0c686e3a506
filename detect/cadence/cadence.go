// Package cadence reads how new pictures follow each other and finds where that
// order stumbles.
//
// In: the cells and vectors of each picture. Out: runs of one pattern, marks of
// kind cadence-break, and for how long a pattern could be followed.
//
// Evidence (evidence.go) weighs for each picture whether it is new, against the
// motion around it; follow.go finds the likeliest path through the patterns of
// pattern.go; chain.go and breaks.go turn the path into runs and breaks. Pairs in
// the wrong order are told by the vectors alone (order.go), or by how much pictures
// differ (exchange.go), as is what no vectors show of pictures lost (leap.go).
package cadence

import (
	"cmp"
	"fmt"
	"image"
	"slices"
	"time"

	"setwitness/decode/picture"
	"setwitness/detect"
	"setwitness/detect/cells"
	"setwitness/detect/motion"
)

// Stage follows the cadence.
var Stage = &detect.Stage{
	Name:  "cadence",
	Title: "order in which new pictures follow each other",
	Doc: "Decides for each picture whether it is new or repeats the one before, finds the pattern (1:1, 2:2, 3:2, " +
		"2:3:3:2 ..., static or irregular) with its phase, and reports where it stumbles: pictures lost or " +
		"repeated, live motion shown at half its rate, and pairs of pictures in the wrong order. Strength: pictures lost, " +
		"repeated or out of order. Things that bounce, " +
		"stop or start, cuts, still stretches and gaps that the file's own times explain are not reported.",
	Kind:  detect.CadenceBreak,
	Needs: []detect.Need{{Stage: cells.Stage, Back: 2*leapSide - 1}, {Stage: motion.Stage}},
	Ahead: 1,
	New: func(s *detect.Setup) (detect.State, error) {
		rate := s.Format.Rate()
		if rate <= 0 {
			rate = 50
		}
		st := &state{format: s.Format, cells: cells.In(s), motion: motion.In(s), follower: newFollower(s.Format.Fields, rate)}
		st.notes = newNotes(s.Format.Fields, s.Format.Depth)
		st.period = time.Duration(float64(time.Second) / rate)
		st.filmed = s.Viewer.Camera
		return st, nil
	},
}

type state struct {
	cells    *cells.Store
	motion   *motion.Store
	notes    *notes
	next     int
	rec      record
	follower *follower
	builder  builder
	period   time.Duration
	format   picture.Format
	filmed   bool // off a screen
	left     []detect.Mark
	// misorders are the runs of pairs in the wrong order, as they come.
	misorders []misorder
	exchanges []exchange
	six       six
	leaper    leaper
	leaps     []leap
}

func (s *state) Step(w *detect.Window) error {
	s.notes.take(w.T, w.Time(), s.cells.At(w.T), s.motion.At(w.T))
	s.notes.at(w.T).anew = w.Anew()
	s.exchange(w.T)
	s.leap(w.T)
	last := w.Last()
	end := w.T - reach
	if last {
		end = w.T
	}
	for ; s.next <= end; s.next++ {
		s.notes.judge(s.next, &s.rec)
		s.order(s.notes.at(s.next))
		s.follower.follow(&s.rec)
		s.follower.settle(false, s.decided)
	}
	if last {
		s.follower.settle(true, s.decided)
		s.marks(w)
	}
	return nil
}

// decided takes the verdict on one picture.
func (s *state) decided(r *record, n *node, expected bool) {
	s.builder.add(s.follower, r, n, expected)
}

// marks leaves what the whole take has shown, after its last picture.
func (s *state) marks(w *detect.Window) {
	patterns, chains := s.follower.patterns, s.builder.chains
	breaches := s.builder.settle(patterns)
	period := s.regular(breaches)
	for i, x := range breaches {
		m := detect.Mark{
			Kind:       detect.CadenceBreak,
			Region:     x.box(s.format.W, s.format.H),
			Strength:   float64(max(x.repeated, x.lost)),
			Confidence: confidence(x.odds),
			Measures:   x.measures(patterns, chains),
		}
		if m.Confidence < leastConfidence {
			continue
		}
		if p := period[i]; p > 0 {
			m.Region = image.Rect(0, 0, s.format.W, s.format.H)
			m.Measures["period_pictures"] = p
		}
		for p := x.first; p < x.last; p += max(1, x.every) {
			m.Picture = p
			s.left = append(s.left, m)
		}
		m.Picture = x.last
		s.left = append(s.left, m)
	}
	s.markOrder()
	s.markExchanges()
	s.markLeaps()
	// Breaches are settled when their pattern is, not in order of time.
	slices.SortStableFunc(s.left, func(a, b detect.Mark) int { return cmp.Compare(a.Picture, b.Picture) })
	for _, m := range s.left {
		w.Mark(m)
	}
}

// leastConfidence is that of a breach worth a mark: it may still extend a surer
// one.
const leastConfidence = 0.2

// regular returns the period of each breach that comes at a steady beat, and
// leaves a weak mark wherever such a beat is due, so that what shows only while
// things move is one fault all the same. That concerns the whole picture.
func (s *state) regular(breaches []breach) map[int]float64 {
	period := map[int]float64{}
	for _, r := range rhythms(breaches) {
		for _, i := range r.members {
			period[i] = r.period
		}
		for _, p := range r.beats(breaches) {
			s.left = append(s.left, detect.Mark{
				Kind:       detect.CadenceBreak,
				Picture:    p,
				Region:     image.Rect(0, 0, s.format.W, s.format.H),
				Strength:   1,
				Confidence: leastConfidence,
			})
		}
	}
	return period
}

// brief is how many pictures between two runs of one pattern are part of it
// though they do not follow it: a burst of another fault, a moment of rest.
const brief = 12

// few is how many new pictures a pattern takes to be one.
const few = 3

// Cadence returns the runs of one pattern, in order of time.
func (s *state) Cadence() []detect.CadenceRun {
	chains := s.builder.chains
	name := func(c *chain) string {
		switch {
		case c.still():
			return "static"
		case c.kind == inPattern && c.fresh >= few:
			return s.follower.patterns[c.pattern].name
		}
		return "irregular"
	}
	var out []detect.CadenceRun
	var fresh, seconds float64 // of the last of out: new pictures, and how long it is
	for i := range chains {
		c := &chains[i]
		pattern := name(c)
		if c.end-c.start < brief && (c.kind != inPattern || c.fresh < few) {
			// The odd pictures at either end, or between two runs, belong
			// to the run beside them.
			if len(out) > 0 {
				pattern = out[len(out)-1].Pattern
			} else if i+1 < len(chains) {
				pattern = name(&chains[i+1])
			}
		}
		if k := len(out) - 1; k < 0 || out[k].Pattern != pattern {
			out = append(out, detect.CadenceRun{Start: c.start, Pattern: pattern})
			fresh, seconds = 0, 0
		}
		r := &out[len(out)-1]
		r.End = c.end
		if !c.still() {
			fresh += float64(c.density(s.follower.patterns)) * float64(c.end-c.start)
		}
		seconds += s.seconds(i)
		if r.Pattern != "static" {
			r.NewPerS, r.NewShare = fresh/seconds, fresh/float64(r.End-r.Start)
		}
	}
	return out
}

// seconds is how long chain i lasts by the file's times: to where the next one
// begins, or for a period after its last picture.
func (s *state) seconds(i int) float64 {
	chains := s.builder.chains
	if i+1 < len(chains) {
		return (chains[i+1].from - chains[i].from).Seconds()
	}
	return (chains[i].to - chains[i].from + s.period).Seconds()
}

// Coverage says for how long a pattern was followed, in which one picture lost
// or repeated would have shown.
func (s *state) Coverage() detect.Coverage {
	c := detect.Coverage{Kind: detect.CadenceBreak, State: detect.Examined, Floor: 1}
	var all, followed float64
	for i := range s.builder.chains {
		chain := &s.builder.chains[i]
		seconds := s.seconds(i)
		all += seconds
		if !chain.still() {
			followed += seconds * float64(chain.shows) / float64(chain.end-chain.start)
		}
	}
	c.Seconds = followed
	switch {
	case followed == 0:
		c.State, c.Floor = detect.NotExaminable, 0
		c.Why = "no motion that follows a steady pattern"
	case followed < 0.9*all:
		c.State = detect.Limited
		c.Why = fmt.Sprintf("%.1f of %.1f s are still or hold too little motion, or new pictures follow without a steady pattern", all-followed, all)
	}
	return c
}
