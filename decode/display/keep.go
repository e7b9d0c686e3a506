package display

import (
	"image"
	"slices"

	"setwitness/decode/picture"
)

// Where a fault was found the pictures are wanted again, in colour and of one exposure in
// each row. Which ones is known only when the stages have looked at the pictures after
// them, and to decode to there once more takes all frames from a key frame on, which a
// phone writes once a second. So what the latest pictures need of the camera's frames is
// copied while these are held, and kept where it is asked for.
const (
	// latestPictures is more than any stage looks ahead.
	latestPictures = 32
	// mostLatest and mostKept bound the memory, bytes: what does not fit is read from the
	// file again.
	mostLatest, mostKept = 48 << 20, 24 << 20
	// pieceMargin is what a sample needs of the frame around it, px: two for luma's cubic
	// and as many of chroma's, which are twice as large, with what lies between samples.
	pieceMargin = 6
	// Rows are copied in so many strips side by side: the box around a row that slants by
	// a twentieth holds as much again as the row.
	strips = 6
	// spareRoom is by what part the memory of a picture is larger than it needs.
	spareRoom = 16
)

// piece is a rectangle of a camera frame.
type piece struct {
	frame int
	at    image.Point // of luma; chroma has its size
	y     picture.Plane
	cb    picture.Plane
	cr    picture.Plane
}

// shot is what a picture needs of camera frames.
type shot struct {
	index  int
	pieces []piece // in the order of the frames
	bytes  []uint8 // of planes of 8 bits
	words  []uint16
	whole  [2]image.Point // size of the frames' luma and of their chroma
	used   int
}

func (s *shot) size() int { return len(s.bytes) + 2*len(s.words) }

// copyOf copies a rectangle of a plane.
func (s *shot) copyOf(p *picture.Plane, r image.Rectangle) picture.Plane {
	if p.Empty() {
		return picture.Plane{}
	}
	n := r.Dx() * r.Dy()
	c := picture.Plane{Stride: r.Dx(), W: r.Dx(), H: r.Dy(), Depth: p.Depth}
	if p.Pix != nil {
		c.Pix = s.bytes[len(s.bytes) : len(s.bytes)+n]
		s.bytes = s.bytes[:len(s.bytes)+n]
	} else {
		c.Pix16 = s.words[len(s.words) : len(s.words)+n]
		s.words = s.words[:len(s.words)+n]
	}
	put(&c, image.Point{}, p, r)
	return c
}

// put copies a rectangle of a plane to a place in another.
func put(dst *picture.Plane, at image.Point, src *picture.Plane, r image.Rectangle) {
	for y := range r.Dy() {
		to, from := (at.Y+y)*dst.Stride+at.X, (r.Min.Y+y)*src.Stride+r.Min.X
		if src.Pix != nil {
			copy(dst.Pix[to:to+r.Dx()], src.Pix[from:])
		} else {
			copy(dst.Pix16[to:to+r.Dx()], src.Pix16[from:])
		}
	}
}

// keeper keeps shots.
type keeper struct {
	latest []*shot // in order
	size   int     // of the latest
	wanted map[int]int
	kept   map[int]*shot
	full   int // of those kept
	spare  []*shot
}

// Keep asks for what picture i and those beside it were made of, Drop says that one
// call of Keep is void.
func (o *Source) Keep(i int) { o.keeper.want(i, 1) }

// Drop is for a picture that was asked for.
func (o *Source) Drop(i int) { o.keeper.want(i, -1) }

func (k *keeper) want(i, times int) {
	if k.wanted == nil {
		k.wanted, k.kept = map[int]int{}, map[int]*shot{}
	}
	for j := i - 1; j <= i+1; j++ {
		k.wanted[j] += times
		if k.wanted[j] > 0 {
			if n, ok := slices.BinarySearchFunc(k.latest, j, func(s *shot, j int) int { return s.index - j }); ok {
				k.keep(k.latest[n])
			}
			continue
		}
		delete(k.wanted, j)
		if s := k.kept[j]; s != nil {
			delete(k.kept, j)
			k.full -= s.size()
			k.leave(s)
		}
	}
}

func (k *keeper) keep(s *shot) {
	if k.kept[s.index] != nil || k.full+s.size() > mostKept {
		return
	}
	k.kept[s.index] = s
	k.full += s.size()
	s.used++
}

// leave takes note that a shot is no longer in one of the lists.
func (k *keeper) leave(s *shot) {
	if s.used--; s.used == 0 {
		k.spare = append(k.spare, s)
	}
}

// add takes what the next picture was made of.
func (k *keeper) add(index int, parts []Part, rows int, held func(frame int) *picture.Picture) {
	s := &shot{}
	if n := len(k.spare); n > 0 {
		s, k.spare = k.spare[n-1], k.spare[:n-1]
	}
	s.index, s.used = index, 1
	s.take(parts, rows, held)
	k.latest = append(k.latest, s)
	k.size += s.size()
	for len(k.latest) > latestPictures || k.size > mostLatest {
		old := k.latest[0]
		k.latest = k.latest[:copy(k.latest, k.latest[1:])]
		k.size -= old.size()
		k.leave(old)
		if len(k.latest) == 0 {
			return
		}
	}
	if k.wanted[index] > 0 {
		k.keep(s)
	}
}

// take copies, of each row, what the first frame shows that has it.
func (s *shot) take(parts []Part, rows int, held func(frame int) *picture.Picture) {
	s.pieces, s.bytes, s.words = s.pieces[:0], s.bytes[:0], s.words[:0]
	inOrder := slices.Clone(parts)
	slices.SortStableFunc(inOrder, func(a, b Part) int { return a.Frame - b.Frame })
	// All at once, so that no slice moves away from under the pieces.
	type cut struct {
		c *picture.Picture
		r image.Rectangle
	}
	var cuts []cut
	bytes, words := 0, 0
	filled := make([]bool, rows)
	for _, p := range inOrder {
		c := held(p.Frame)
		if c == nil {
			continue
		}
		for from := p.From; from < p.To; {
			if filled[from] {
				from++
				continue
			}
			to := from
			for to < p.To && !filled[to] {
				filled[to] = true
				to++
			}
			for i := range strips {
				box := p.View.Box(float64(i)/strips, float64(from)/float64(rows), float64(i+1)/strips, float64(to)/float64(rows)).Inset(-pieceMargin)
				// Whole samples of chroma.
				box.Min.X, box.Min.Y = box.Min.X&^1, box.Min.Y&^1
				box.Max.X, box.Max.Y = (box.Max.X+1)&^1, (box.Max.Y+1)&^1
				r := box.Intersect(image.Rect(0, 0, c.Y.W, c.Y.H))
				if r.Empty() {
					return // it repeats the frame's edge, which is not at hand then
				}
				cuts = append(cuts, cut{c, r})
				n := r.Dx() * r.Dy()
				if m := chromaOf(r, c); !m.Empty() {
					n += 2 * m.Dx() * m.Dy()
				}
				if c.Y.Pix != nil {
					bytes += n
				} else {
					words += n
				}
			}
			from = to
		}
	}
	// A little more, so that the next picture finds room in it.
	if cap(s.bytes) < bytes {
		s.bytes = make([]uint8, 0, bytes+bytes/spareRoom)
	}
	if cap(s.words) < words {
		s.words = make([]uint16, 0, words+words/spareRoom)
	}
	for _, q := range cuts {
		m := chromaOf(q.r, q.c)
		s.whole = [2]image.Point{{X: q.c.Y.W, Y: q.c.Y.H}, {X: q.c.Cb.W, Y: q.c.Cb.H}}
		s.pieces = append(s.pieces, piece{
			frame: q.c.Frame, at: q.r.Min,
			y: s.copyOf(&q.c.Y, q.r), cb: s.copyOf(&q.c.Cb, m), cr: s.copyOf(&q.c.Cr, m),
		})
	}
}

// chromaOf returns the samples of a frame's chroma that lie in a rectangle of luma.
func chromaOf(r image.Rectangle, c *picture.Picture) image.Rectangle {
	if c.Cb.Empty() {
		return image.Rectangle{}
	}
	fx, fy := max(1, c.Y.W/c.Cb.W), max(1, c.Y.H/c.Cb.H)
	return image.Rect(r.Min.X/fx, r.Min.Y/fy, (r.Max.X+fx-1)/fx, (r.Max.Y+fy-1)/fy).Intersect(image.Rect(0, 0, c.Cb.W, c.Cb.H))
}

// Has reports whether picture i was kept.
func (o *Source) Has(i int) bool {
	s := o.keeper.kept[i]
	return s != nil && len(s.pieces) > 0
}

// Kept calls fn with the camera frames that a picture which was kept is made of, in their
// order, as far as it needs them: what lies elsewhere in them means nothing. They are
// valid until fn returns.
func (o *Source) Kept(i int, fn func(*picture.Picture) error) error {
	s := o.keeper.kept[i]
	var frame *picture.Picture
	for k, q := range s.pieces {
		if frame == nil {
			frame = &picture.Picture{Y: picture.New(s.whole[0].X, s.whole[0].Y, q.y.Depth)}
			if !q.cb.Empty() {
				frame.Cb = picture.New(s.whole[1].X, s.whole[1].Y, q.cb.Depth)
				frame.Cr = picture.New(s.whole[1].X, s.whole[1].Y, q.cr.Depth)
			}
		}
		frame.Index, frame.Frame = q.frame, q.frame
		put(&frame.Y, q.at, &q.y, image.Rect(0, 0, q.y.W, q.y.H))
		if !q.cb.Empty() {
			at := chromaOf(image.Rectangle{Min: q.at, Max: q.at.Add(image.Pt(1, 1))}, frame).Min
			put(&frame.Cb, at, &q.cb, image.Rect(0, 0, q.cb.W, q.cb.H))
			put(&frame.Cr, at, &q.cr, image.Rect(0, 0, q.cr.W, q.cr.H))
		}
		if k+1 == len(s.pieces) || s.pieces[k+1].frame != q.frame {
			if err := fn(frame); err != nil {
				return err
			}
		}
	}
	return nil
}
