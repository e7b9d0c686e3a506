package cadence

import (
	"fmt"
	"time"

	"setwitness/decode/picture"
	"setwitness/detect"
	"setwitness/detect/cells"
	"setwitness/detect/motion"
)

var Stage = &detect.Stage{
	Name: "cadence", Title: "order of new pictures", Doc: "x", Kind: detect.CadenceBreak,
	Needs: []detect.Need{{Stage: cells.Stage}, {Stage: motion.Stage}}, Ahead: 1,
	New: func(s *detect.Setup) (detect.State, error) {
		rate := s.Format.Rate()
		if rate <= 0 {
			rate = 50
		}
		st := &state{format: s.Format, cells: cells.In(s), motion: motion.In(s), follower: newFollower(s.Format.Fields, rate)}
		st.notes = newNotes(s.Format.Fields, s.Format.Depth)
		st.period = time.Duration(float64(time.Second) / rate)
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
}

var debug bool

func (s *state) Step(w *detect.Window) error {
	s.notes.take(w.T, w.Time(), s.cells.At(w.T), s.motion.At(w.T))
	last := w.Picture(w.T+1) == nil
	end := w.T - reach
	if last {
		end = w.T
	}
	for ; s.next <= end; s.next++ {
		s.notes.judge(s.next, &s.rec)
		s.follower.follow(&s.rec)
		s.follower.settle(false, s.decided)
	}
	if last {
		s.follower.settle(true, s.decided)
		s.marks(w)
	}
	return nil
}

func (s *state) decided(r *record, n *node, expected bool) {
	s.builder.add(s.follower, r, n, expected)
}

func (s *state) marks(w *detect.Window) {
	patterns, chains := s.follower.patterns, s.builder.chains
	for _, x := range s.builder.settle(patterns) {
		if debug {
			c := chains[x.chain]
			fmt.Printf("   breach %d-%d rep %d lost %d odds %.1f phase %d/%d step %+v region %v in chain %d-%d after %d of %d\n", x.first, x.last, x.repeated, x.lost, x.odds, x.expected, x.found, x.step, x.region, c.start, c.end, x.fresh, c.fresh)
		}
		m := detect.Mark{
			Kind:       detect.CadenceBreak,
			Region:     x.box(s.format.W, s.format.H),
			Strength:   float64(max(x.repeated, x.lost)),
			Confidence: confidence(x.odds),
			Measures:   x.measures(patterns, chains),
		}
		if m.Confidence < 0.2 {
			continue
		}
		for p := x.first; p <= x.last; p += max(1, x.every) {
			m.Picture = p
			w.Mark(m)
		}
	}
}

func (s *state) Cadence() []detect.CadenceRun {
	var out []detect.CadenceRun
	for _, c := range s.builder.chains {
		name := "irregular"
		if c.kind == static {
			name = "static"
		} else if c.kind == inPattern {
			name = s.follower.patterns[c.pattern].name
		}
		sec := (c.to - c.from + s.period).Seconds()
		rate := float64(c.end-c.start-c.repeats) / sec
		if debug {
			fmt.Printf("   chain %d-%d %s fresh %d rep %d sure %.0f head %.1f tail %.1f cut %v\n", c.start, c.end, name, c.fresh, c.repeats, c.sure, c.head, c.tail, c.cut)
		}
		out = append(out, detect.CadenceRun{Start: c.start, End: c.end, Pattern: name, NewPerS: rate})
	}
	return out
}

func (s *state) Coverage() detect.Coverage {
	return detect.Coverage{Kind: detect.CadenceBreak}
}
