// Exam runs the search for block grids over the catalogue of package blocks and
// prints every take with what was found in it, and a summary.
package main

import (
	"context"
	"flag"
	"fmt"
	"maps"
	"math"
	"os"
	"slices"
	"strings"

	"setwitness/detect"
	"setwitness/detect/cells"
	"setwitness/detect/macroblocking"
	"setwitness/detect/motion"
	"setwitness/testdata/blocks"
	"setwitness/testdata/faults"
	"setwitness/testdata/takes"
)

func main() {
	seeds := flag.String("seeds", "1", "seeds of the catalogue, comma between them")
	only := flag.String("only", "", "run takes whose name contains this `word`")
	real := flag.String("real", "", "run takes that FFmpeg's coders make of the real clips in this `folder` in place of drawn ones")
	verbose := flag.Bool("v", false, "print every event with its measures")
	flag.Parse()
	if err := run(*seeds, *only, *real, *verbose); err != nil {
		fmt.Fprintln(os.Stderr, "exam:", err)
		os.Exit(1)
	}
}

const (
	// plain is the JND, by blocks.Shown, from which on a fault has to be found.
	plain = 1
	// single is the step of a block's edge, in codes of 8 bits, up to which it is of one: a
	// slope adds to it, and two would be the next. Where steps are no larger the blocks are
	// contours of the finest gradient that 8 bits can hold, which are no fault however
	// visible; they are counted apart.
	single = 1.5
)

// asked reports whether a fault has to be found.
func asked(t faults.Truth) bool {
	return t.Measures[blocks.SeenJND] >= plain && t.Measures[blocks.SeenCodes] > single
}

// tally counts outcomes.
type tally struct {
	faults, found, pieces, clean, silent, false int
	unseen, fine                                int     // missed: ones that cannot be seen, ones of single codes
	late                                        float64 // the most, in seconds
	pitch, off                                  int     // measured, and off by more than 2 %
}

func run(seeds, only, real string, verbose bool) error {
	ctx := context.Background()
	var all tally
	groups := map[string]*tally{}
	for _, word := range strings.Split(seeds, ",") {
		var seed int64
		if _, err := fmt.Sscan(word, &seed); err != nil {
			return fmt.Errorf("seed %q: %w", word, err)
		}
		list := blocks.All(seed)
		if real != "" {
			var err error
			if list, err = blocks.Real(ctx, real, seed, only); err != nil {
				return err
			}
		}
		for _, t := range list {
			if !strings.Contains(t.Name, only) {
				continue
			}
			// The word after the first says what made the blocks.
			group, _, _ := strings.Cut(t.Name, "-")
			if len(t.Truth) > 0 {
				group, _, _ = strings.Cut(strings.TrimPrefix(t.Name, group+"-"), "-")
			}
			if groups[group] == nil {
				groups[group] = &tally{}
			}
			var n tally
			if err := n.examine(t, seed, verbose); err != nil {
				return fmt.Errorf("%s: %w", t.Name, err)
			}
			all.add(&n)
			groups[group].add(&n)
		}
	}
	for _, g := range slices.Sorted(maps.Keys(groups)) {
		fmt.Printf("%-10s %s\n", g, groups[g])
	}
	fmt.Printf("%-10s %s\n", "all", &all)
	return nil
}

func (n *tally) add(o *tally) {
	n.faults += o.faults
	n.found += o.found
	n.pieces += o.pieces
	n.clean += o.clean
	n.silent += o.silent
	n.false += o.false
	n.unseen += o.unseen
	n.fine += o.fine
	n.pitch += o.pitch
	n.off += o.off
	if math.Abs(o.late) > math.Abs(n.late) {
		n.late = o.late
	}
}

func (n *tally) String() string {
	s := fmt.Sprintf("%d of %d faults found", n.found, n.faults)
	if n.faults > 0 {
		s += fmt.Sprintf(" (recall %.1f %%), the latest by %.2f s, %d in pieces, %d of %d pitches off by more than 2 %%", 100*float64(n.found)/float64(n.faults), n.late, n.pieces, n.off, n.pitch)
	}
	if n.found+n.false > 0 {
		s += fmt.Sprintf("; %d false (precision %.1f %%)", n.false, 100*float64(n.found)/float64(n.found+n.false))
	}
	s += fmt.Sprintf("; %d of %d clean takes silent; missed %d that cannot be seen, and %d of single codes", n.silent, n.clean, n.unseen, n.fine)
	if all := n.faults + n.fine; n.fine > 0 {
		s += fmt.Sprintf(" (recall with these %.1f %%)", 100*float64(n.found)/float64(all))
	}
	return s
}

func (n *tally) examine(t takes.Take, seed int64, verbose bool) error {
	res, err := detect.Run(context.Background(), t.Source(), []*detect.Stage{cells.Stage, motion.Stage, macroblocking.Stage}, nil, nil)
	if err != nil {
		return err
	}
	out := t.Score(res.Events)
	// What need not be found may be found late, too.
	for _, m := range out.Misses {
		if !asked(m) {
			out.False = slices.DeleteFunc(out.False, func(e detect.Event) bool { return e.Start >= m.First && e.End <= m.Last })
		}
	}
	n.faults += len(t.Truth)
	n.false += len(out.False)
	if len(t.Truth) == 0 {
		n.clean++
		if len(res.Events) == 0 {
			n.silent++
		}
	}
	for _, h := range out.Hits {
		n.found++
		n.pieces += len(h.Again)
		if math.Abs(h.Late) > math.Abs(n.late) {
			n.late = h.Late
		}
		note := ""
		for _, m := range []string{blocks.PitchX, blocks.PitchY} {
			n.pitch++
			if e := off(h.Event.Measures[m], h.Truth.Measures[m]); e > 0.02 {
				n.off++
				note += fmt.Sprintf("  %s %.2f, not %.2f", m, h.Event.Measures[m], h.Truth.Measures[m])
			}
		}
		if verbose || note != "" || len(h.Again) > 0 {
			fmt.Printf("hit    %d %-24s strength %.2f seen %.2f JND, %.2f codes, late %+.2f s, again %d%s\n", seed, t.Name, h.Event.Strength, h.Truth.Measures[blocks.SeenJND], h.Truth.Measures[blocks.SeenCodes], h.Late, len(h.Again), note)
		}
		if verbose {
			fmt.Printf("       %v for %v, %v\n", h.Event.Region, h.Truth.Region, h.Event.Measures)
		}
	}
	for _, m := range out.Misses {
		switch {
		case m.Measures[blocks.SeenJND] < plain:
			n.faults--
			n.unseen++
		case !asked(m):
			n.faults--
			n.fine++
		}
		fmt.Printf("MISS   %d %-24s pictures %d-%d at %.2f/s in %v, seen %.2f JND, %.2f codes\n", seed, t.Name, m.First, m.Last, t.Format.Rate(), m.Region, m.Measures[blocks.SeenJND], m.Measures[blocks.SeenCodes])
	}
	for _, e := range out.False {
		fmt.Printf("FALSE  %d %-24s pictures %d-%d in %v, strength %.2f, %v  %s\n", seed, t.Name, e.Start, e.End, e.Region, e.Strength, e.Measures, t.Negative)
	}
	return nil
}

// off is how far a pitch is from the truth, or from twice as much: blocks of 16
// samples are coded as four of 8.
func off(is, truth float64) float64 {
	return min(math.Abs(is/truth-1), math.Abs(is/truth/2-1))
}
