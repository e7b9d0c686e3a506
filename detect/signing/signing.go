// Package signing takes the signature of every picture of a take.
//
// In: the maps of cells. Out: a signature.Sequence, which the result of a run
// carries.
package signing

import (
	"math"
	"slices"

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
	all        []uint16 // the values of all blocks, once one of them is not known
	unknown    int      // blocks
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
	trusted := func(y int) bool { return p.Trusted(y*r.StepY, min((y+1)*r.StepY, s.format.H)) }
	whatever := func(int) bool { return true }
	for _, row := range s.rows {
		size := s.sum(r, &row, trusted)
		known := size >= leastKnown*row.size
		if !known {
			size = s.sum(r, &row, whatever)
		}
		for _, col := range s.cols {
			mean := across(s.columns, &col) / (size * col.size)
			v := uint16(min(mean*(signature.Unit8/cells.Unit8)+0.5, signature.Unknown-1))
			if !known && s.unknown == 0 {
				s.all = slices.Clone(q.Values)
			}
			if !known || s.unknown > 0 {
				s.all = append(s.all, v)
			}
			if !known {
				v = signature.Unknown
				s.unknown++
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

// sum adds up the rows of samples of a row of blocks that are trusted, and
// returns how many they are.
func (s *state) sum(r *cells.Reduced, rows *stretch, trusted func(y int) bool) (known float32) {
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

// mostlyKnown is the share of the blocks of a take that have to be known for the
// others to be left out. Below it one block after the other is missing for so long
// that what moves by in the meantime is not seen; a mixture of a picture and the one
// beside it still says when that was, to a picture.
const mostlyKnown = 0.5

// Signatures returns those of all pictures; of a take whose exposures mix most of
// them, with what these show together.
func (s *state) Signatures() *signature.Sequence {
	if float64(s.unknown) > (1-mostlyKnown)*float64(len(s.sequence.Values)) {
		s.sequence.Values = s.all
	}
	return &s.sequence
}
