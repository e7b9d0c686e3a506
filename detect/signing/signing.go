// Package signing takes the signature of every picture of a take.
//
// In: the maps of cells. Out: a signature.Sequence, which the result of a run
// carries.
package signing

import (
	"math"

	"setwitness/decode/picture"
	"setwitness/detect"
	"setwitness/detect/cells"
	"setwitness/detect/signature"
)

// Stage signs pictures.
var Stage = &detect.Stage{
	Name:  "signing",
	Title: "signature of each picture",
	Doc: "Means of luma in a grid of 32 by 18 blocks, kept for every picture, by which takes of the same thing are " +
		"aligned in time. Leaves no marks.",
	Needs: []detect.Need{{Stage: cells.Stage}},
	Reads: true, // only how far a picture can be trusted
	New: func(s *detect.Setup) (detect.State, error) {
		return newState(s.Format, cells.In(s)), nil
	},
}

type state struct {
	format     picture.Format
	cells      *cells.Store
	lines      cells.Lines
	cols, rows []stretch // of each column and row of blocks
	whole      []uint32  // sums of whole rows of samples, for each column of them
	columns    []float32 // the same with the parts of rows at both ends
	sequence   signature.Sequence
}

// stretch is the samples that lie in a block along one axis: whole ones from first
// to before end, and parts of one before and of one after.
type stretch struct {
	first, end    int
	before, after float32
	size          float32 // of all
}

func newState(f picture.Format, store *cells.Store) *state {
	x, y := cells.Steps(f)
	s := &state{
		format: f, cells: store,
		cols: stretches(f.W/x, float64(f.W)/float64(x), signature.Cols),
		rows: stretches(f.H/y, float64(f.H)/float64(y), signature.Rows),
	}
	s.whole, s.columns = make([]uint32, f.W/x), make([]float32, f.W/x)
	s.sequence.Aspect = float64(f.W) / float64(f.H)
	if f.SampleAspectNum > 0 && f.SampleAspectDen > 0 {
		s.sequence.Aspect *= float64(f.SampleAspectNum) / float64(f.SampleAspectDen)
	}
	if f.Fields {
		s.sequence.Aspect /= 2
	}
	return s
}

// stretches divides a length of n samples and perhaps a part of one more, which is
// not there, among blocks.
func stretches(n int, length float64, blocks int) []stretch {
	out := make([]stretch, blocks)
	for i := range out {
		from := length * float64(i) / float64(blocks)
		to := min(length*float64(i+1)/float64(blocks), float64(n))
		s := stretch{first: int(math.Ceil(from)), end: int(math.Floor(to)), size: float32(to - from)}
		if s.first > s.end { // within one sample
			s.before, s.end = s.size, s.first
		} else {
			s.before, s.after = float32(float64(s.first)-from), float32(to-float64(s.end))
		}
		out[i] = s
	}
	return out
}

// Step signs picture w.T.
func (s *state) Step(w *detect.Window) error {
	p, r := w.Picture(w.T), &s.cells.At(w.T).Reduced
	q := &s.sequence
	for _, row := range s.rows {
		known := s.sum(p, r, &row)
		for _, col := range s.cols {
			v := uint16(signature.Unknown)
			if known >= leastKnown*row.size {
				mean := across(s.columns, &col) / (known * col.size)
				v = uint16(min(mean*(signature.Unit8/cells.Unit8)+0.5, signature.Unknown-1))
			}
			q.Values = append(q.Values, v)
		}
	}
	// Times of a damaged file may run backwards.
	at, life := p.Time, p.Time-p.Slowed
	if n := len(q.Times); n > 0 {
		at, life = max(at, q.Times[n-1]), max(life, q.Lives[n-1])
	}
	q.Times, q.Lives = append(q.Times, at), append(q.Lives, life)
	return nil
}

// sum adds up the rows of samples of a row of blocks that can be trusted, and
// returns how many they are.
func (s *state) sum(p *picture.Picture, r *cells.Reduced, rows *stretch) (known float32) {
	trusted := func(y int) bool { return p.Trusted(y*r.StepY, min((y+1)*r.StepY, s.format.H)) }
	clear(s.whole)
	for y := rows.first; y < rows.end; {
		end := y
		for end < rows.end && trusted(end) {
			end++
		}
		if end > y {
			s.lines.AddRows(s.whole, r.Pix[y*r.W:], end-y)
			known += float32(end - y)
		}
		y = end + 1
	}
	for x, v := range s.whole {
		s.columns[x] = float32(v)
	}
	for _, edge := range []struct {
		y    int
		part float32
	}{{rows.first - 1, rows.before}, {rows.end, rows.after}} {
		if edge.part <= 0 || !trusted(edge.y) {
			continue
		}
		known += edge.part
		for x, v := range r.Row(edge.y) {
			s.columns[x] += edge.part * float32(v)
		}
	}
	return known
}

// across adds up the columns of a block.
func across(columns []float32, cols *stretch) float32 {
	sum := float32(0)
	for _, v := range columns[cols.first:cols.end] {
		sum += v
	}
	if cols.before > 0 {
		sum += cols.before * columns[cols.first-1]
	}
	if cols.after > 0 {
		sum += cols.after * columns[cols.end]
	}
	return sum
}

// leastKnown is the share of a block that has to be known: with less, a thing
// that moves within the block looks like one that changes its brightness.
const leastKnown = 0.75

// Signatures returns those of all pictures so far.
func (s *state) Signatures() *signature.Sequence { return &s.sequence }
