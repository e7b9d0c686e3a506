package fullreference

import (
	"fmt"
	"image"
	"math"
	"slices"

	"setwitness/detect"
)

// Mixture is how much of its neighbours in the source is mixed into a picture of
// the take.
type Mixture struct {
	Behind, Ahead float64 // weights of the picture before and the one after, 0 to 1
	// Explains is how much of what the picture shown leaves the mixture explains.
	Explains float64
	// Least is the weight that would have stood out of what is left.
	Least float64
	// Known is set where the two neighbours can be told from each other.
	Known bool
	// Codes is by how much the source changes where it moves, root mean square, and
	// Mean the code of the take there.
	Codes, Mean float64
}

const (
	// apartDirections is how far from collinear the differences of both neighbours
	// have to be (the square of the sine): an edge that moves by less than its own
	// width looks the same from both sides, and late.
	apartDirections = 0.2
	// explained is the share of what is left that a mixture has to explain; a
	// picture half-way between two, as motion compensation makes, is explained by
	// half.
	explained = 0.65
	// leastMixed is the weight that a copy needs: codecs that predict a picture from
	// others leave half as much of them.
	leastMixed = 0.12
	// evenly is by how much a copy may seem stronger than the picture itself: of two
	// halves either may. What is mostly another picture is no mixture.
	evenly = 0.1
	// aboveUsual is by how many times a copy has to exceed what most pictures of the
	// take seem to hold.
	aboveUsual = 3
	// plainMixed is the weight of a copy that shows however many pictures hold it, where
	// it explains plainlyExplained of what is left: codecs that let what moves follow late
	// leave a tenth of other pictures in most of theirs, and explain little by it, but
	// a take may hold copies from end to end.
	plainMixed, plainlyExplained = 0.25, 0.9
	// inMost is the share of the pictures in which what is above the floor shows.
	inMost = 0.8
	// lasts is how many pictures of the source that follow each other have to show
	// it: a take that repeats each shows the same evidence again.
	lasts = 2
)

// mix fits take - at = behind*(before-at) + ahead*(after-at) to sums: left of
// squares of the difference, of the neighbours', and of products.
func mix(left, back, on, cross, leftBack, leftOn float64) (m Mixture) {
	d := back*on - cross*cross
	if d < apartDirections*back*on {
		return m
	}
	m.Known = true
	if left <= 0 {
		return m
	}
	m.Behind, m.Ahead = (leftBack*on-leftOn*cross)/d, (leftOn*back-leftBack*cross)/d
	m.Explains = (m.Behind*leftBack + m.Ahead*leftOn) / left
	// What a weight explains grows with its square.
	rest := left * (1 - m.Explains)
	m.Least = math.Sqrt(explained / (1 - explained) * rest / min(back, on))
	return m
}

// copies is the weight of the stronger copy. What lies beside its place along the
// motion looks like more of one neighbour and less of the other.
func (m *Mixture) copies() float64 {
	return max(m.Behind+min(m.Ahead, 0), m.Ahead+min(m.Behind, 0))
}

// Ghost is pictures of a take that hold copies of what moves.
type Ghost struct {
	First, Last, Peak int // pictures of the take
	Mixture           Mixture
	Usual             float64 // what most pictures of the take seem to hold
	Region            image.Rectangle
	Pictures          int
}

// Ghosts finds pictures into which others are mixed. floor is the weight that
// would have been found in most of the pictures in which it could be told, and
// those are so many.
func Ghosts(shown []Shown) (ghosts []Ghost, floor float64, told int) {
	var usual, least []float64
	for i := range shown {
		if m := &shown[i].Mixture; m.Known {
			usual = append(usual, max(0, m.copies()))
			least = append(least, m.Least)
		}
	}
	if len(usual) == 0 {
		return nil, 0, 0
	}
	ordinary := median(usual)
	enough := max(leastMixed, aboveUsual*ordinary)
	for first := 0; first < len(shown); first++ {
		last, distinct := first-1, 0
		for last+1 < len(shown) && shown[last+1].Mixture.shows(enough) {
			last++
			if last == first || shown[last].Picture != shown[last-1].Picture {
				distinct++
			}
		}
		if distinct >= lasts {
			g := Ghost{First: first, Last: last, Peak: first, Usual: ordinary, Pictures: last - first + 1}
			for i := first; i <= last; i++ {
				g.Region = g.Region.Union(shown[i].Moving)
				if shown[i].Mixture.copies() > shown[g.Peak].Mixture.copies() {
					g.Peak = i
				}
			}
			g.Mixture = shown[g.Peak].Mixture
			ghosts = append(ghosts, g)
		}
		first = max(first, last)
	}
	slices.Sort(least)
	return join(ghosts), max(min(enough, plainMixed), least[int(inMost*float64(len(least)-1))]), len(usual)
}

// shows reports whether a picture holds a copy that is as strong as enough, or plain.
func (m *Mixture) shows(enough float64) bool {
	own, copies := 1-max(m.Behind, 0)-max(m.Ahead, 0), m.copies()
	if !m.Known || copies > own+evenly {
		return false
	}
	return copies >= enough && m.Explains >= explained || copies >= plainMixed && m.Explains >= plainlyExplained
}

// join makes one of ghosts that come back soon.
func join(list []Ghost) []Ghost {
	var out []Ghost
	for _, g := range list {
		if n := len(out); n > 0 && g.First-out[n-1].Last <= apart {
			o := &out[n-1]
			o.Last, o.Region, o.Pictures = g.Last, o.Region.Union(g.Region), o.Pictures+g.Pictures
			if g.Mixture.copies() > o.Mixture.copies() {
				o.Peak, o.Mixture = g.Peak, g.Mixture
			}
			continue
		}
		out = append(out, g)
	}
	return slices.Clip(out)
}

// Event is the finding of a ghost.
func (g *Ghost) Event(raster image.Rectangle) detect.Event {
	region := seenIn(g.Region, raster)
	e := detect.Event{
		Kind: detect.Ghost, Start: g.First, End: g.Last, Peak: g.Peak, Region: region, PeakRegion: region,
		Strength: 100 * g.Mixture.copies(), Pictures: g.Pictures,
		Measures: map[string]float64{"explained_share": g.Mixture.Explains, "usual_pct": 100 * g.Usual},
	}
	for name, w := range map[string]float64{"behind_pct": g.Mixture.Behind, "ahead_pct": g.Mixture.Ahead} {
		if w >= leastMixed/2 {
			e.Measures[name] = 100 * w
		}
	}
	e.Confidence = min(surest, g.Mixture.Explains)
	return e
}

// Why says what a ghost rests on.
func (g *Ghost) Why() string {
	behind, ahead := max(0, g.Mixture.Behind), max(0, g.Mixture.Ahead)
	return fmt.Sprintf("where the source moves, the take holds %.0f %% of the source's picture, %.0f %% of the one before and %.0f %% of the one after, "+
		"which explains %.0f %% of what differs from the first; most of the take's pictures hold %.0f %% of another",
		100*(1-behind-ahead), 100*behind, 100*ahead, 100*g.Mixture.Explains, 100*g.Usual)
}
