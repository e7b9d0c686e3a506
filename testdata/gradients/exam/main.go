// Exam runs all stages over takes of gradients, in memory or through H.264, and
// prints how many faults were found, and every miss and every false alarm.
package main

import (
	"context"
	"flag"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"setwitness/decode"
	"setwitness/detect"
	"setwitness/detect/cells"
	"setwitness/detect/contour"
	"setwitness/detect/nearblack"
	"setwitness/detect/posterisation"
	"setwitness/testdata/gradients"
	"setwitness/testdata/takes"
	"setwitness/testdata/takes/codec"
)

// stages are those that find contours.
var stages = []*detect.Stage{cells.Stage, contour.Stage, nearblack.Stage, posterisation.Stage}

type settings struct {
	only, real string
	seed       int64
	crf        int
	verbose    bool
}

func main() {
	var s settings
	flag.StringVar(&s.only, "only", "", "run takes whose name contains one of these `words` (comma between them)")
	flag.Int64Var(&s.seed, "seed", 1, "seed of the catalogue")
	flag.IntVar(&s.crf, "crf", 0, "send the takes through H.264 of this quality; 0 plays them in memory")
	flag.StringVar(&s.real, "real", "", "run takes made of the real clips in this `folder` in place of drawn ones")
	flag.BoolVar(&s.verbose, "v", false, "print every event")
	flag.Parse()
	if err := run(os.Stdout, s); err != nil {
		fmt.Fprintln(os.Stderr, "exam:", err)
		os.Exit(1)
	}
}

// tally is what became of the faults of one kind.
type tally struct{ faults, found, false, pieces int }

func run(w io.Writer, s settings) error {
	all := gradients.All(s.seed)
	if s.real != "" {
		var err error
		if all, err = gradients.Real(s.real, s.seed); err != nil {
			return err
		}
	}
	dir, err := os.MkdirTemp("", "gradients")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir)
	count := map[detect.Kind]*tally{detect.NearBlackBanding: {}, detect.Posterisation: {}}
	var late, bits float64
	clean, silent, pictures := 0, 0, 0
	var spent time.Duration
	for i, t := range all {
		all[i].Picture = nil // what a take rendered goes with it
		if !slices.ContainsFunc(strings.Split(s.only, ","), func(part string) bool { return strings.Contains(t.Name, part) }) {
			continue
		}
		res, err := examine(t, dir, s.crf)
		if err != nil {
			return fmt.Errorf("%s: %w", t.Name, err)
		}
		pictures += res.Pictures
		for _, k := range stages[1:] {
			spent += res.Spent[k.Name]
		}
		o := t.Score(res.Events)
		if len(t.Truth) == 0 {
			clean++
			if len(res.Events) == 0 {
				silent++
			}
		}
		rate := t.Format.Rate()
		for _, h := range o.Hits {
			c := count[h.Truth.Kind]
			c.faults++
			c.found++
			c.pieces += len(h.Again)
			late = max(late, math.Abs(h.Late))
			want, ok := h.Truth.Measures[gradients.StepCodes]
			if ok {
				bits = max(bits, math.Abs(math.Log2(h.Event.Measures["step_codes"]/want)))
			}
			if s.verbose {
				fmt.Fprintf(w, "hit    %-22s late %+.2f s, step %.2f: %s\n", t.Name, h.Late, want, event(h.Event, rate))
			}
		}
		for _, m := range o.Misses {
			count[m.Kind].faults++
			fmt.Fprintf(w, "MISS   %-22s %dx%d %s from %.2f to %.2f s %v\n", t.Name, t.Format.W, t.Format.H, m.Kind, float64(m.First)/rate, float64(m.Last)/rate, m.Measures)
		}
		for _, e := range o.False {
			count[e.Kind].false++
			fmt.Fprintf(w, "FALSE  %-22s %dx%d %s %s\n", t.Name, t.Format.W, t.Format.H, event(e, rate), t.Negative)
		}
	}
	for _, k := range []detect.Kind{detect.NearBlackBanding, detect.Posterisation} {
		c := count[k]
		fmt.Fprintf(w, "%-20s %d of %d found, %d false, %d in pieces\n", k, c.found, c.faults, c.false, c.pieces)
	}
	fmt.Fprintf(w, "%d of %d takes without faults gave no finding; starts to %.2f s, steps to %.2f bits; %.2f ms a picture\n",
		silent, clean, late, bits, 1000*spent.Seconds()/float64(max(pictures, 1)))
	return nil
}

// examine runs the stages over a take.
func examine(t takes.Take, dir string, crf int) (*detect.Result, error) {
	ctx := context.Background()
	// What is written is 4:2:0; other chroma is played in memory.
	if crf == 0 || t.Format.ChromaX != 1 || t.Format.ChromaY != 1 {
		return detect.Run(ctx, t.Source(), stages, nil, nil)
	}
	path, err := codec.Write(t, dir, crf)
	if err != nil {
		return nil, err
	}
	defer os.Remove(filepath.Join(dir, filepath.Base(path)))
	take, err := decode.Open(path, decode.Options{Threads: 1})
	if err != nil {
		return nil, err
	}
	defer take.Close()
	return detect.Run(ctx, take, stages, nil, nil)
}

func event(e detect.Event, rate float64) string {
	names := make([]string, 0, len(e.Measures))
	for n := range e.Measures {
		names = append(names, n)
	}
	slices.Sort(names)
	var b strings.Builder
	for _, n := range names {
		fmt.Fprintf(&b, " %s=%.3g", n, e.Measures[n])
	}
	return fmt.Sprintf("%s %.2f to %.2f s at %v, %.1f JND, confidence %.2f, %d marks%s",
		e.Kind, float64(e.Start)/rate, float64(e.End)/rate, e.Region, e.Strength, e.Confidence, e.Pictures, b.String())
}
