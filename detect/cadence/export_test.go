package cadence

import (
	"runtime"

	"setwitness/detect"
)

// Place is what one picture shows again of the picture before it.
type Place struct {
	Pattern             string // that it belongs to, "" for none
	Repeat              bool   // all of it
	EvenLines, OddLines bool   // frames: the lines of one side only
	Third               bool   // fields: it shows what the last but one shows
}

// Patterns returns the periods of all patterns by name. Some patterns can
// begin with either side and have more than one.
func Patterns(fields bool) map[string][][]Place {
	out := map[string][][]Place{}
	for i := range patterns(fields) {
		p := &patterns(fields)[i]
		var period []Place
		for _, at := range p.places {
			period = append(period, exported(p.name, at))
		}
		out[p.name] = append(out[p.name], period)
	}
	return out
}

func exported(name string, at place) Place {
	return Place{name, at.repeat, at.half == evenLines, at.half == oddLines, at.third}
}

// Watched is a stage like Stage, and tells after a run of fewer than 2*lag
// pictures which place of a pattern each of them took.
func Watched() (*detect.Stage, func() []Place) {
	var st *state
	s := *Stage
	s.New = func(set *detect.Setup) (detect.State, error) {
		made, err := Stage.New(set)
		if err == nil {
			st = made.(*state)
		}
		return made, err
	}
	return &s, func() []Place {
		f := st.follower
		var out []Place
		for i := range f.steps {
			n := &f.nodes[f.path[i%len(f.path)]]
			p := Place{}
			if n.pattern >= 0 {
				p = exported(f.patterns[n.pattern].name, n.place)
			}
			out = append(out, p)
		}
		return out
	}
}

// counted counts what a state allocates.
type counted struct {
	*state
	warm  int
	taken uint64
}

func (c *counted) Step(w *detect.Window) error {
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	err := c.state.Step(w)
	runtime.ReadMemStats(&after)
	// The last step leaves the marks of the whole take.
	if w.T >= c.warm && !w.Last() {
		c.taken += after.Mallocs - before.Mallocs
	}
	return err
}

// Counted is a stage like Stage, and tells after a run how often it allocated
// from picture warm on.
func Counted(warm int) (*detect.Stage, func() uint64) {
	var c *counted
	s := *Stage
	s.New = func(set *detect.Setup) (detect.State, error) {
		made, err := Stage.New(set)
		if err == nil {
			c = &counted{state: made.(*state), warm: warm}
		}
		return c, err
	}
	return &s, func() uint64 { return c.taken }
}
