package screen

import (
	"errors"
	"fmt"
	"image"
	"math"
	"slices"

	"setwitness/decode/picture"
)

// Kind is what the frames of a take show.
type Kind int

// The kinds: the picture itself; a screen with at least part of its border;
// a screen so near that no border is in the frame.
const (
	Direct Kind = iota
	Screen
	CloseUp
)

func (k Kind) String() string { return [...]string{"direct", "screen", "close-up"}[k] }

// Found is what a Finder makes out.
type Found struct {
	Kind Kind
	// Why says in a sentence what the decision rests on.
	Why string
	// Confidence is 0 to 1, of the kind; View has one for the corners.
	Confidence float64
	// View is where the screen lies in frame number Frame of those added;
	// for Direct and CloseUp it is the whole frame.
	View  View
	Frame int
	// Start is where it lies in the first frame, to some pixels: where a
	// Follower of all frames begins.
	Start View
	// LitArea is set when the view is that of the lit picture because the
	// panel's own edge could not be seen: black bars of the picture, if it
	// has any, are outside then.
	LitArea bool
	// Still is set where nothing that the screen shows changes.
	Still bool
	// Hidden says which sides lie outside the frame and were extrapolated or
	// put at the frame's edge: top, right, bottom, left.
	Hidden [4]bool
	// PxPerLine is, of a close-up, camera pixels for each row of the panel's
	// pixels, from its grid or as the user says; 0 when nothing tells it.
	PxPerLine float64
	// Around is, of a screen, what lies around it.
	Around Around
}

// FromCorners takes the screen to lie where the user says.
func FromCorners(q Quad, size image.Point) Found {
	v := View{Quad: q, Size: size, Confidence: 1}
	return Found{Kind: Screen, Why: "the corners were given", Confidence: 1, View: v, Start: v}
}

const (
	// Frames are looked at as a whole on a grid of at most so many columns
	// or rows: a thin bezel of 8 px in 1080 lines is still 2 samples wide.
	reducedSide = 480
	// So many reduced frames are kept; of more, every other one is dropped.
	mostReduced = 48
	// So many frames are kept as they are, the brightest ones: they show the
	// most of the border.
	mostWhole = 6
)

// A Finder looks at some frames of a take, spread over a stretch of its time in
// which the camera keeps its place but for a hand's sway, and makes out whether
// and where there is a screen in them. Six to some dozens are enough, over a
// second or more, so that what is shown changes. Used by one goroutine.
type Finder struct {
	size   image.Point
	factor int
	small  image.Point
	every  int // of the frames added, one is kept reduced
	count  int
	stack  [][]uint8
	whole  []kept
	spare  []uint8
	err    error
	full   bool // codes are of full range
	turned bool // the frames are negatives
	// glimpsed is what may have been a screen when fewer frames were known, in the first
	// of them, reduced: what they light up later hides where it ends.
	glimpsed []Quad
}

// kept is a frame of the take kept as it is.
type kept struct {
	index  int
	bright uint64
	plane  picture.Plane
	small  []uint8 // the same reduced
}

// NewFinder makes a finder for frames of w by h pixels.
func NewFinder(w, h int) *Finder {
	f := &Finder{size: image.Pt(w, h), every: 1}
	f.factor = max(1, (max(w, h)+reducedSide-1)/reducedSide)
	f.small = image.Pt(w/f.factor, h/f.factor)
	return f
}

// leastSide is the least side of a reduced frame in which four sides of a
// screen, with something on either side of each, have room.
const leastSide = 16 // samples

func (f *Finder) tooSmall() bool { return min(f.small.X, f.small.Y) < leastSide }

// Add looks at the luma of one frame, which is not kept.
func (f *Finder) Add(p *picture.Plane) {
	if f.err != nil || f.tooSmall() {
		return
	}
	if err := p.Check(); err != nil {
		f.err = err
		return
	}
	if p.W != f.size.X || p.H != f.size.Y {
		f.err = fmt.Errorf("frame of %dx%d pixels among those of %dx%d", p.W, p.H, f.size.X, f.size.Y)
		return
	}
	if f.spare == nil {
		f.spare = make([]uint8, f.small.X*f.small.Y)
	}
	reduce(p, f.factor, f.small.X, f.small.Y, f.spare)
	var bright uint64
	for _, c := range f.spare {
		bright += uint64(c)
	}
	f.keep(p, bright, f.spare)
	if f.count%f.every == 0 {
		if len(f.stack) == mostReduced {
			for i := range mostReduced / 2 {
				f.stack[i], f.stack[2*i] = f.stack[2*i], f.stack[i]
			}
			f.stack = f.stack[:mostReduced/2]
			f.every *= 2
		}
		if f.count%f.every == 0 {
			f.stack = append(f.stack, f.spare)
			f.spare = nil
		}
	}
	f.count++
}

// keep copies the frame if it is one of the brightest so far.
func (f *Finder) keep(p *picture.Plane, bright uint64, small []uint8) {
	var k *kept
	if len(f.whole) < mostWhole {
		f.whole = append(f.whole, kept{plane: picture.New(p.W, p.H, p.Depth)})
		k = &f.whole[len(f.whole)-1]
	} else {
		k = &f.whole[0]
		for i := range f.whole {
			if f.whole[i].bright < k.bright {
				k = &f.whole[i]
			}
		}
		if k.bright >= bright {
			return
		}
	}
	if k.plane.Depth != p.Depth {
		k.plane = picture.New(p.W, p.H, p.Depth)
	}
	k.index, k.bright = f.count, bright
	k.small = append(k.small[:0], small...)
	for y := range p.H {
		if p.Pix != nil {
			copy(k.plane.Pix[y*p.W:][:p.W], p.Pix[y*p.Stride:][:p.W])
		} else {
			copy(k.plane.Pix16[y*p.W:][:p.W], p.Pix16[y*p.Stride:][:p.W])
		}
	}
}

var errNoFrames = errors.New("no frames to find a screen in")

// Result decides on the frames added so far.
func (f *Finder) Result() (Found, error) {
	if f.err != nil {
		return Found{}, f.err
	}
	if f.tooSmall() {
		return Found{Kind: Direct, View: Whole(f.size), Start: Whole(f.size), Confidence: 1,
			Why: fmt.Sprintf("frames of %d x %d pixels are too small to hold a screen and what is around it", f.size.X, f.size.Y)}, nil
	}
	if len(f.stack) == 0 {
		return Found{}, errNoFrames
	}
	s := f.survey(f.stack)
	direct := Found{Kind: Direct, View: Whole(f.size), Start: Whole(f.size)}
	if why := s.blackBars(); why != "" {
		direct.Why, direct.Confidence = why, 0.95
		return direct, nil
	}
	list, s := f.search(s)
	best, ok := choose(list)
	px, share := f.grid()
	near := share >= gridShare
	if ok && !(near && (best.score < wholeBorder || best.hidden != [4]bool{})) {
		found := f.describe(best)
		found.Around = s.surround(best.lies, f.light())
		return found, nil
	}
	if near {
		return Found{
			Kind: CloseUp, View: Whole(f.size), Start: Whole(f.size), Confidence: min(1, share), PxPerLine: px,
			Why: fmt.Sprintf("the grid of a panel's pixels shows all over the frame, %.1f camera pixels each, and no border", px),
		}, nil
	}
	margin, middle := s.restlessness()
	switch {
	case s.dark():
		direct.Why, direct.Confidence = "nothing in the frames is bright enough to tell a screen by", 0.2
	case margin > likeMiddle*middle && middle > leastFlicker:
		direct.Why, direct.Confidence = "the picture changes right up to the edges of the frame, and no screen's border shows", 0.9
	case middle <= leastFlicker:
		direct.Why, direct.Confidence = "hardly anything changes in the frames, and no screen's border shows", 0.3
	default:
		direct.Why, direct.Confidence = "no four straight sides of a lit screen show, although the edges of the frame are quiet", 0.4
	}
	return direct, nil
}

const (
	// wholeBorder is the quality of a border that is believed although the
	// camera is near enough to show the panel's pixels.
	wholeBorder = 0.9
	// leastFlicker is a change in light that noise alone makes, of white.
	leastFlicker = 0.002
	// A take is dark when less than this share of its samples ever reach this
	// code: nothing stands out then.
	darkCode, darkShare = 45, 0.005
)

// dark reports whether nothing was ever bright.
func (s *survey) dark() bool {
	n := 0
	for _, c := range s.most {
		if c >= darkCode {
			n++
		}
	}
	return float64(n) < darkShare*float64(len(s.most))
}

// The edges of a direct take change as much as its middle does, within this
// factor; the surroundings of a screen change by what it throws on them.
const likeMiddle = 0.25

// survey is what the reduced frames show together.
type survey struct {
	w, h   int
	factor int
	frames [][]uint8
	most   []uint8   // the brightest that each sample was
	least  []uint8   // the darkest
	bright []uint8   // the brightest frame
	mean   []float32 // codes
	unrest []float32 // standard deviation over time, codes
	// flicker is the same of light, 1 being white, without noise.
	flicker []float32
}

// survey looks at reduced frames together.
func (f *Finder) survey(stack [][]uint8) *survey {
	n := f.small.X * f.small.Y
	s := &survey{w: f.small.X, h: f.small.Y, factor: f.factor, frames: stack,
		most: slices.Clone(stack[0]), least: slices.Clone(stack[0]), mean: make([]float32, n), unrest: make([]float32, n)}
	sum, square := make([]uint32, n), make([]uint32, n)
	most := uint32(0)
	for _, frame := range stack {
		all := uint32(0)
		for _, c := range frame {
			all += uint32(c)
		}
		if all >= most {
			s.bright, most = frame, all
		}
		for i, c := range frame {
			s.most[i], s.least[i] = max(s.most[i], c), min(s.least[i], c)
			sum[i] += uint32(c)
			square[i] += uint32(c) * uint32(c)
		}
	}
	k := float64(len(stack))
	for i := range s.unrest {
		mean := float64(sum[i]) / k
		s.mean[i] = float32(mean)
		s.unrest[i] = float32(math.Sqrt(max(0, float64(square[i])/k-mean*mean)))
	}
	if !f.turned {
		f.full = s.floor() < belowBlack
	}
	s.flickers(stack, f.light())
	return s
}

// smallPlane returns a reduced frame as a plane.
func (f *Finder) smallPlane(pix []uint8) picture.Plane {
	return picture.Plane{Pix: pix, Stride: f.small.X, W: f.small.X, H: f.small.Y, Depth: 8}
}

// restlessness returns the mean change of light over time at the edges of the frame and
// in its middle.
func (s *survey) restlessness() (margin, middle float64) {
	var nm, ni int
	band := max(s.h/24, 2)
	for y := range s.h {
		for x := range s.w {
			u := float64(s.flicker[y*s.w+x])
			if x < band || y < band || x >= s.w-band || y >= s.h-band {
				margin += u
				nm++
			} else if x > s.w/4 && x < s.w*3/4 && y > s.h/4 && y < s.h*3/4 {
				middle += u
				ni++
			}
		}
	}
	return margin / float64(max(nm, 1)), middle / float64(max(ni, 1))
}

// Bars of a direct take are of one code in all frames but for what coding
// adds; a sensor's dark is not.
const barSlack = 2

// blackBars reports a picture with black bars that only a direct take has:
// without noise, exactly along the frame, and from one edge to the other.
func (s *survey) blackBars() string {
	dark := func(x, y int) bool {
		i := y*s.w + x
		return s.most[i] <= blackMost && s.most[i]-s.least[i] <= barSlack
	}
	row := func(y int) bool {
		for x := range s.w {
			if !dark(x, y) {
				return false
			}
		}
		return true
	}
	column := func(x int) bool {
		for y := range s.h {
			if !dark(x, y) {
				return false
			}
		}
		return true
	}
	top, bottom, left, right := 0, 0, 0, 0
	for top < s.h && row(top) {
		top++
	}
	if top == s.h {
		return ""
	}
	for row(s.h - 1 - bottom) {
		bottom++
	}
	for column(left) {
		left++
	}
	for column(s.w - 1 - right) {
		right++
	}
	// The lit picture has to fill the rest up to its edges and corners: a
	// screen that is turned only a little touches them in places.
	full := func() bool {
		lit, n := 0, 0
		count := func(x, y int) {
			n++
			if !dark(x, y) {
				lit++
			}
		}
		for x := left; x < s.w-right; x++ {
			if top > 0 {
				count(x, top)
			}
			if bottom > 0 {
				count(x, s.h-1-bottom)
			}
		}
		for y := top; y < s.h-bottom; y++ {
			if left > 0 {
				count(left, y)
			}
			if right > 0 {
				count(s.w-1-right, y)
			}
		}
		return n > 0 && float64(lit) > barFull*float64(n)
	}
	level, upright := min(top, bottom) > 0, min(left, right) > 0
	even := max(top-bottom, bottom-top) <= 1 && max(left-right, right-left) <= 1
	if !level && !upright || !even || !full() {
		return ""
	}
	switch {
	case level && upright:
		return "black bars without noise lie exactly along all four edges of the frame"
	case level:
		return "black bars without noise lie exactly along the upper and lower edge of the frame"
	}
	return "black bars without noise lie exactly along the left and right edge of the frame"
}

const (
	// Black is code 16, or 0 in full range, with what coding adds.
	blackMost = 18
	// Share of the outermost samples of a picture within bars that are lit
	// at some time.
	barFull = 0.9
)
