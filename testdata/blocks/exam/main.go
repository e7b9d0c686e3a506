// Exam runs the search for block grids over the catalogue of package blocks and
// prints every take with what was found in it, and a summary.
package main

import (
	"context"
	"flag"
	"fmt"
	"math"
	"os"
	"strings"

	"setwitness/detect"
	"setwitness/detect/cells"
	"setwitness/detect/macroblocking"
	"setwitness/testdata/blocks"
	"setwitness/testdata/takes"
)

func main() {
	seeds := flag.String("seeds", "1", "seeds of the catalogue, comma between them")
	only := flag.String("only", "", "run takes whose name contains this `word`")
	verbose := flag.Bool("v", false, "print every event with its measures")
	flag.Parse()
	if err := run(*seeds, *only, *verbose); err != nil {
		fmt.Fprintln(os.Stderr, "exam:", err)
		os.Exit(1)
	}
}

// plain is the JND, by blocks.Shown, from which on a fault has to be found.
const plain = 1

// tally counts outcomes.
type tally struct {
	faults, found, pieces, clean, silent, false int
	unseen                                      int     // and missed
	late                                        float64 // the most, in seconds
	pitch, off                                  int     // measured, and off by more than 2 %
}

func run(seeds, only string, verbose bool) error {
	var n tally
	for _, word := range strings.Split(seeds, ",") {
		var seed int64
		if _, err := fmt.Sscan(word, &seed); err != nil {
			return fmt.Errorf("seed %q: %w", word, err)
		}
		for _, t := range blocks.All(seed) {
			if strings.Contains(t.Name, only) {
				if err := n.examine(t, seed, verbose); err != nil {
					return fmt.Errorf("%s: %w", t.Name, err)
				}
			}
		}
	}
	recall := 100 * float64(n.found) / max(float64(n.faults), 1)
	precision := 100 * float64(n.found) / max(float64(n.found+n.false), 1)
	fmt.Printf("%d of %d faults found (recall %.1f %%), %d in pieces, %d false (precision %.1f %%), the latest by %.2f s; %d of %d pitches off by more than 2 %%; %d of %d clean takes silent; %d faults that cannot be seen missed\n",
		n.found, n.faults, recall, n.pieces, n.false, precision, n.late, n.off, n.pitch, n.silent, n.clean, n.unseen)
	return nil
}

func (n *tally) examine(t takes.Take, seed int64, verbose bool) error {
	res, err := detect.Run(context.Background(), t.Source(), []*detect.Stage{cells.Stage, macroblocking.Stage}, nil, nil)
	if err != nil {
		return err
	}
	out := t.Score(res.Events)
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
			fmt.Printf("hit    %d %-24s strength %.2f seen %.2f late %+.2f s, again %d%s\n", seed, t.Name, h.Event.Strength, h.Truth.Measures[blocks.SeenJND], h.Late, len(h.Again), note)
		}
		if verbose {
			fmt.Printf("       %v for %v, %v\n", h.Event.Region, h.Truth.Region, h.Event.Measures)
		}
	}
	for _, m := range out.Misses {
		if m.Measures[blocks.SeenJND] < plain {
			n.faults--
			n.unseen++
		}
		fmt.Printf("MISS   %d %-24s pictures %d-%d at %.2f/s in %v, seen %.2f JND\n", seed, t.Name, m.First, m.Last, t.Format.Rate(), m.Region, m.Measures[blocks.SeenJND])
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
