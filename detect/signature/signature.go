// Package signature holds what remains of each picture of a take so that two
// takes of the same thing can be laid beside each other later, without their
// files: the means of luma in a coarse grid of blocks.
//
// It is values alone. Package signing takes them from pictures, package align
// compares two sequences, and package report stores one.
package signature

import (
	"errors"
	"fmt"
	"time"
)

// The grid. A block is large enough that noise, grain and errors of geometry of
// a per cent or two average out, and small enough that a ball of a twentieth of
// the width is seen to move by a tenth of itself.
const (
	Cols, Rows = 32, 18
	Blocks     = Cols * Rows
)

// Unit8 is one 8-bit code in the unit of a block.
const Unit8 = 256

// Unknown is the value of a block that the take does not show, or not of that
// picture alone.
const Unknown = 1<<16 - 1

// Sequence is the signatures of the pictures of a take, in order.
type Sequence struct {
	// Aspect is the width of the picture over its height, as displayed.
	Aspect float64
	// Times are presentation times. Lives are when the pictures were shown in
	// life, which differs in files that play slower.
	Times, Lives []time.Duration
	// Values are Blocks means of luma for each picture, row by row, in
	// 1/Unit8 of an 8-bit code, or Unknown.
	Values []uint16
}

// Len returns the number of pictures.
func (s *Sequence) Len() int { return len(s.Times) }

// At returns the blocks of picture i.
func (s *Sequence) At(i int) []uint16 { return s.Values[i*Blocks : (i+1)*Blocks] }

// Check reports why a sequence cannot be used, or nil.
func (s *Sequence) Check() error {
	const mostAspect = 20 // far beyond any picture, to keep absurd ones out
	switch n := len(s.Times); {
	case len(s.Lives) != n:
		return fmt.Errorf("%d pictures have %d times in life", n, len(s.Lives))
	case len(s.Values) != n*Blocks:
		return fmt.Errorf("%d pictures have %d values of blocks, not %d", n, len(s.Values), n*Blocks)
	case !(s.Aspect > 1./mostAspect && s.Aspect < mostAspect):
		return fmt.Errorf("aspect of %g", s.Aspect)
	}
	for i := 1; i < len(s.Times); i++ {
		if s.Times[i] < s.Times[i-1] || s.Lives[i] < s.Lives[i-1] {
			return errors.New("times run backwards")
		}
	}
	return nil
}
