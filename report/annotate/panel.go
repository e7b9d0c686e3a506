package annotate

import (
	"image"

	"setwitness/decode/picture"
)

// Panel is the part of the canvas on which the pictures of one take are shown,
// with what is said about them.
type Panel struct {
	out     Output
	in      picture.Format
	rect    image.Rectangle // of the canvas
	kx, ky  int             // whole factors by which pictures are enlarged
	letters *letters
	wide    int // of the outline

	view    *view
	lens    *view // nil where there is none
	story   Story
	outline image.Rectangle // of the canvas; empty for none
	peak    image.Rectangle
	boxes   struct{ caption, status, label image.Rectangle }
	words   struct {
		caption []string
		label   string
	}
}

// Story is what is told of one finding.
type Story struct {
	Caption []string // one line each, wrapped where it is too long
	// Region is where the finding shows over its time, Peak where it is
	// strongest, in pixels of the take's pictures; each is empty for the whole
	// picture.
	Region, Peak image.Rectangle
	// Shape, if not nil, returns the corners of the region, or of the place of the
	// peak, in one picture: those of a camera that looks at it askew or moves. Where
	// it returns none the rectangles are outlined.
	Shape func(pic *picture.Picture, peak bool) []Point
	// Status are all lines of status that will be shown: the box holds each.
	Status []string
}

// Moment is what changes from picture to picture.
type Moment struct {
	Legend, Counter string
	// Lens shows the place of the peak enlarged, Peak outlines it instead of the
	// whole region.
	Lens, Peak bool
}

const (
	// The height of letters, as a share of the picture's: 1/30 is 36 pixels of
	// 1080, which reads on a phone (common practice, no source). The width
	// limits it in upright films.
	letterShare      = 30
	letterShareWidth = 26
	leastLetters     = 13.0 // px, below which the font is no longer hinted well
	// A box of text is no wider than this share of its panel.
	boxShare = 0.62
	// Lines that a caption may have in all.
	mostLines = 7
	// The lens covers no more than this share of either side of its panel, or the
	// smaller one where only that leaves the fault to be seen, and stands off what
	// it enlarges.
	lensShare, smallLensShare = 0.42, 0.3
	// Lenses enlarge by two at least, and by no more than shows single pixels
	// well.
	leastLens, mostLens = 2, 8
)

// NewPanel makes a panel. Pictures are enlarged by kx and ky.
func NewPanel(o Output, in picture.Format, rect image.Rectangle, kx, ky int) (*Panel, error) {
	size := max(leastLetters, min(float64(o.H)/letterShare, float64(rect.Dx())/letterShareWidth))
	l, err := newLetters(size)
	if err != nil {
		return nil, err
	}
	return &Panel{
		out: o, in: in, rect: rect, kx: kx, ky: ky, letters: l,
		wide: max(2, o.H/540*2), // 2 pixels of 540 lines
	}, nil
}

// Begin lays out what is told of a finding.
func (p *Panel) Begin(s Story) {
	p.story = s
	from := p.part(p.story.Peak, image.Rect(0, 0, p.in.W, p.in.H))
	size := image.Pt(from.Dx()*p.kx, from.Dy()*p.ky)
	at := p.rect.Min.Add(image.Pt((p.rect.Dx()-size.X)/4*2, (p.rect.Dy()-size.Y)/4*2))
	p.view = newView(p.in, p.out, from, p.kx, p.ky, at)
	p.outline, p.peak = p.view.canvas(p.story.Region), p.view.canvas(p.story.Peak)
	p.arrange()
}

// part is what of a picture the panel shows: as much as it holds, round a place.
func (p *Panel) part(place, whole image.Rectangle) image.Rectangle {
	w, h := min(p.rect.Dx()/p.kx, whole.Dx()), min(p.rect.Dy()/p.ky, whole.Dy())
	mid := whole.Min.Add(whole.Max).Div(2)
	if !place.Empty() {
		mid = place.Min.Add(place.Max).Div(2)
	}
	x := min(max(mid.X-w/2, 0), whole.Dx()-w) &^ 1
	y := min(max(mid.Y-h/2, 0), whole.Dy()-h) &^ 1
	return image.Rect(x, y, x+w, y+h)
}

// arrange finds places for the boxes and the lens where they do not hide the
// fault, nor each other.
func (p *Panel) arrange() {
	l, pad := p.letters, p.pad()
	most := int(boxShare*float64(p.rect.Dx())) - 2*pad
	p.words.caption = nil
	for _, s := range p.story.Caption {
		if left := mostLines - len(p.words.caption); left > 0 {
			p.words.caption = append(p.words.caption, l.wrap(s, most, min(left, 2))...)
		}
	}
	caption, status := image.Point{}, image.Point{}
	for _, s := range p.words.caption {
		caption.X = max(caption.X, l.width(s))
	}
	caption = image.Pt(caption.X+2*pad, len(p.words.caption)*l.spacing+2*pad)
	for _, s := range p.story.Status {
		status.X = max(status.X, l.width(s))
	}
	status = image.Pt(status.X+2*pad, 2*l.spacing+2*pad)

	taken := []image.Rectangle{}
	p.boxes.status = p.place(status, taken, topLeft, topRight, bottomLeft, bottomRight)
	taken = append(taken, p.boxes.status)
	p.boxes.caption = p.place(caption, taken, bottomLeft, bottomRight, topRight, topLeft)
	taken = append(taken, p.boxes.caption)

	p.lens = nil
	p.boxes.label = image.Rectangle{}
	if p.peak.Empty() {
		return
	}
	// The largest lens that hides neither the fault nor what is said of it; where
	// the fault is everywhere, one that does not hide what it enlarges itself.
	for _, all := range []bool{true, false} {
		for _, share := range []float64{lensShare, smallLensShare} {
			for k := mostLens; k >= leastLens; k-- {
				if p.magnify(k, share, all, taken) {
					return
				}
			}
		}
	}
}

// magnify tries a lens of a factor that covers no more than a share of either side.
func (p *Panel) magnify(k int, share float64, all bool, taken []image.Rectangle) bool {
	window := p.window(k, share)
	if window.Empty() {
		return false
	}
	l, pad, edge := p.letters, p.pad(), p.border()
	label := Enlarged(k * p.kx)
	size := image.Pt(window.Dx()*p.kx*k, window.Dy()*p.ky*k)
	box := image.Pt(max(size.X+2*edge, l.width(label)+2*pad), size.Y+2*edge+l.spacing+2*pad)
	at := p.place(box, taken, bottomRight, topRight, bottomLeft, topLeft, middleRight, middleLeft)
	avoid := append([]image.Rectangle{p.view.canvas(window)}, taken...)
	if all {
		avoid = append(avoid, p.peak.Inset(-edge))
	}
	for _, r := range avoid {
		if at.Overlaps(r) {
			return false
		}
	}
	p.words.label, p.boxes.label = label, at
	p.lens = newView(p.in, p.out, window, p.kx*k, p.ky*k, at.Min.Add(image.Pt(edge+(at.Dx()-2*edge-size.X)/4*2, edge)))
	return true
}

// pad is the space round text, border that which the outline of a lens takes.
func (p *Panel) pad() int    { return max(2, p.letters.spacing/4) &^ 1 }
func (p *Panel) border() int { return p.wide + 4 }

// window is what a lens of factor k enlarges: the place of the peak with a
// little round it, or the middle of it where that is too large. It is empty where
// a smaller factor shows the whole place.
func (p *Panel) window(k int, share float64) image.Rectangle {
	from := p.view.from
	place := p.story.Peak.Intersect(from)
	most := image.Pt(int(share*float64(p.rect.Dx()))/(p.kx*k), int(share*float64(p.rect.Dy()))/(p.ky*k))
	if most.X < 2 || most.Y < 2 {
		return image.Rectangle{}
	}
	round := max(2, place.Dx()/8, place.Dy()/8)
	w, h := place.Dx()+2*round, place.Dy()+2*round
	if k > leastLens && (w > most.X || h > most.Y) {
		return image.Rectangle{}
	}
	// Small places are shown with what is round them.
	w, h = min(max(w, most.X/2), most.X, from.Dx()), min(max(h, most.Y/2), most.Y, from.Dy())
	mid := place.Min.Add(place.Max).Div(2)
	x := min(max(mid.X-w/2, from.Min.X), from.Max.X-w) &^ 1
	y := min(max(mid.Y-h/2, from.Min.Y), from.Max.Y-h) &^ 1
	return image.Rect(max(x, from.Min.X), max(y, from.Min.Y), x+w, y+h)
}

// corner is a place for a box, in halves of the room that is left.
type corner struct{ x, y int }

var (
	topLeft, topRight       = corner{0, 0}, corner{2, 0}
	bottomLeft, bottomRight = corner{0, 2}, corner{2, 2}
	middleLeft, middleRight = corner{0, 1}, corner{2, 1}
)

// place returns where a box of a size hides least, in one of the corners or above
// or below what stands there; of places that hide as much, the first.
func (p *Panel) place(size image.Point, taken []image.Rectangle, corners ...corner) image.Rectangle {
	room := p.rect.Inset(2 * p.pad())
	size = image.Pt(min(size.X+1, room.Dx()), min(size.Y+1, room.Dy()))
	var places []image.Point
	for _, c := range corners {
		places = append(places, room.Min.Add(image.Pt((room.Dx()-size.X)*c.x/2, (room.Dy()-size.Y)*c.y/2)))
	}
	gap := p.border()
	for _, x := range [2]int{room.Min.X, room.Max.X - size.X} {
		for _, t := range taken {
			places = append(places, image.Pt(x, t.Max.Y+gap), image.Pt(x, t.Min.Y-gap-size.Y))
		}
	}
	var best image.Rectangle
	least := -1
	for _, at := range places {
		box := even(image.Rectangle{at, at.Add(size)})
		if h := p.hides(box, taken); box.In(p.rect) && (least < 0 || h < least) {
			best, least = box, h
		}
	}
	return best
}

// hides weighs what a box covers: other boxes above all, then the place of the
// peak, then the rest of the region.
func (p *Panel) hides(box image.Rectangle, taken []image.Rectangle) int {
	const others, peak = 16, 4
	area := func(r image.Rectangle) int { return r.Dx() * r.Dy() }
	near := p.border()
	h := peak*area(box.Intersect(p.peak.Inset(-near))) + area(box.Intersect(p.outline.Inset(-near)))
	for _, t := range taken {
		h += others * area(box.Inset(-near).Intersect(t))
	}
	return h
}

// Draw draws a picture of the take and what is said of it.
func (p *Panel) Draw(c *Canvas, pic *picture.Picture, m Moment) {
	if p.view.to != p.rect {
		c.fill(p.rect, c.colours.ground)
	}
	if pic == nil {
		c.fill(p.rect, c.colours.ground)
	} else {
		p.view.show(c, pic)
		// The lens enlarges the place of the peak, which is shown with it where the
		// fault is everywhere.
		p.surround(c, pic, m.Peak || m.Lens && p.outline.Empty())
	}
	if m.Lens && p.lens != nil && pic != nil {
		c.fill(p.boxes.label, c.colours.ground)
		p.lens.show(c, pic)
		c.outline(p.lens.to, p.rect, p.wide)
		p.letters.draw(c, image.Pt(p.boxes.label.Min.X+p.pad(), p.lens.to.Max.Y+p.border()+p.pad()/2), p.words.label)
	}
	p.write(c, p.boxes.status, []string{m.Legend, m.Counter})
	p.write(c, p.boxes.caption, p.words.caption)
}

// surround outlines the finding.
func (p *Panel) surround(c *Canvas, pic *picture.Picture, peak bool) {
	r := p.outline
	if peak {
		r = p.peak
	}
	if r.Empty() {
		return
	}
	var shape []Point
	if p.story.Shape != nil {
		shape = p.story.Shape(pic, peak)
	}
	if len(shape) == 0 {
		c.outline(r, p.rect, p.wide)
		return
	}
	for i, q := range shape {
		shape[i] = p.view.point(q)
	}
	c.surround(shape, p.rect, p.wide)
}

func (p *Panel) write(c *Canvas, box image.Rectangle, lines []string) {
	if len(lines) == 0 {
		return
	}
	c.fill(box, c.colours.ground)
	at := box.Min.Add(image.Pt(p.pad(), p.pad()))
	for i, s := range lines {
		p.letters.draw(c, at.Add(image.Pt(0, i*p.letters.spacing)), s)
	}
}
