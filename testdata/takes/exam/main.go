// Exam runs all stages over the catalogue of takes and prints, for each kind
// of fault, how many were found, and every miss and every false alarm.
package main

import (
	"context"
	"flag"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"
	"sync"
	"time"

	"setwitness/decode"
	"setwitness/decode/picture"
	"setwitness/detect"
	"setwitness/detect/all"
	"setwitness/testdata/blocks"
	"setwitness/testdata/takes"
	"setwitness/testdata/takes/codec"
)

// settings are the command line.
type settings struct {
	only    string
	seed    int64
	codec   bool
	crf     int
	workers int
	verbose bool
	list    bool
	write   string
}

func main() {
	var s settings
	flag.StringVar(&s.only, "only", "", "run takes whose name contains one of these `words` (comma between them)")
	flag.Int64Var(&s.seed, "seed", 1, "seed of the catalogue")
	flag.BoolVar(&s.codec, "codec", false, "send the takes through H.264")
	flag.IntVar(&s.crf, "crf", 23, "quality of the codec")
	flag.IntVar(&s.workers, "workers", 2, "takes that run at one time")
	flag.BoolVar(&s.verbose, "v", false, "print every event with its measures")
	flag.BoolVar(&s.list, "list", false, "print the names of the takes and leave")
	flag.StringVar(&s.write, "write", "", "write the takes as H.264 to this `folder` in place of running them")
	flag.Parse()
	if err := run(os.Stdout, s); err != nil {
		fmt.Fprintln(os.Stderr, "exam:", err)
		os.Exit(1)
	}
}

type result struct {
	take    takes.Take
	outcome takes.Outcome
	events  []detect.Event
	coder   []detect.Event // findings of what the codec did
	cadence []detect.CadenceRun
	err     error
	spent   time.Duration
}

func run(w io.Writer, s settings) error {
	chosen := slices.DeleteFunc(takes.All(s.seed), func(t takes.Take) bool {
		if s.write != "" && t.Format.Fields {
			return true // no progressive file can hold it
		}
		return !slices.ContainsFunc(strings.Split(s.only, ","), func(part string) bool { return strings.Contains(t.Name, part) })
	})
	if len(chosen) == 0 {
		return fmt.Errorf("no take has a name with %q", s.only)
	}
	if s.list {
		for _, t := range chosen {
			fmt.Fprintf(w, "%-34s %4dx%-4d %2d bit %6.2f/s %3d pictures  %s\n", t.Name, t.Format.W, t.Format.H, t.Format.Depth, t.Format.Rate(), t.Frames, t.Negative)
		}
		return nil
	}
	dir := s.write
	if s.codec && dir == "" {
		temp, err := os.MkdirTemp("", "exam")
		if err != nil {
			return err
		}
		defer os.RemoveAll(temp)
		dir = temp
	}
	results := make([]result, len(chosen))
	jobs := make(chan int)
	var wait sync.WaitGroup
	for range max(s.workers, 1) {
		wait.Go(func() {
			for i := range jobs {
				start := time.Now()
				results[i] = examine(chosen[i], s, dir)
				results[i].spent = time.Since(start)
				// What a take rendered may go now.
				chosen[i] = takes.Take{}
				results[i].take.Picture = nil
			}
		})
	}
	for i := range chosen {
		jobs <- i
	}
	close(jobs)
	wait.Wait()
	for _, r := range results {
		if r.err != nil {
			return fmt.Errorf("%s: %w", r.take.Name, r.err)
		}
	}
	if s.write == "" {
		report(w, results, s.verbose)
	}
	return nil
}

func examine(t takes.Take, s settings, dir string) result {
	r := result{take: t}
	var src detect.Source = t.Source()
	// Fields have no place in a progressive file: they are played in memory.
	path := ""
	if dir != "" && !t.Format.Fields {
		var err error
		path, err = codec.Write(t, dir, s.crf)
		if err != nil || s.write != "" {
			r.err = err
			return r
		}
		defer os.Remove(path)
		decoded, err := decode.Open(path, decode.Options{Threads: 1})
		if err != nil {
			r.err = err
			return r
		}
		defer decoded.Close()
		src = decoded
	}
	found, err := detect.Run(context.Background(), src, all.Stages(), nil, nil)
	if err != nil {
		r.err = err
		return r
	}
	r.events, r.cadence = found.Events, found.Cadence
	r.outcome = t.Score(found.Events)
	if path != "" {
		r.outcome.False, r.coder, r.err = split(t, path, r.outcome.False)
	}
	return r
}

// seen is the JND of a coder's blocks, measured against what it was given, from
// which on their finding is right.
const seen = 1

// split parts false findings from those of blocks that the coder of a file left
// where they can be seen.
func split(t takes.Take, path string, events []detect.Event) (false, coder []detect.Event, err error) {
	for _, e := range events {
		if e.Kind != detect.Macroblocking {
			false = append(false, e)
			continue
		}
		coded, err := pictureOf(path, e.Peak)
		if err != nil {
			return nil, nil, err
		}
		m := e.Measures
		g := blocks.Grid{PitchX: m["pitch_x_px"], PhaseX: m["phase_x_px"], PitchY: m["pitch_y_px"], PhaseY: m["phase_y_px"]}
		if jnd, _ := blocks.Shown(&t.Picture(e.Peak).Y, &coded.Y, e.PeakRegion, g); jnd >= seen {
			coder = append(coder, e)
		} else {
			false = append(false, e)
		}
		coded.Release()
	}
	return false, coder, nil
}

// pictureOf decodes picture i of a file. The caller releases it.
func pictureOf(path string, i int) (*picture.Picture, error) {
	take, err := decode.Open(path, decode.Options{Threads: 1})
	if err != nil {
		return nil, err
	}
	defer take.Close()
	for {
		p, err := take.Next(context.Background())
		if err != nil || p.Index == i {
			return p, err
		}
		p.Release()
	}
}

func report(w io.Writer, results []result, verbose bool) {
	type tally struct{ truths, hits, again, false int }
	count := map[detect.Kind]*tally{}
	for _, k := range detect.Kinds {
		count[k] = &tally{}
	}
	negatives, clean := 0, 0
	var spent time.Duration
	for _, r := range results {
		rate := r.take.Format.Rate()
		spent += r.spent
		if len(r.take.Truth) == 0 {
			negatives++
			if len(r.events) == len(r.coder) {
				clean++
			}
		}
		for _, h := range r.outcome.Hits {
			c := count[h.Truth.Kind]
			c.truths++
			c.hits++
			c.again += len(h.Again)
			if verbose {
				fmt.Fprintf(w, "hit    %-34s %-13s as %-13s %s late %+.2f s\n", r.take.Name, h.Truth.Kind, h.Event.Kind, event(h.Event, rate), h.Late)
				fmt.Fprintf(w, "       %-34s should be %s\n", "", measures(h.Truth.Measures))
			}
			for _, e := range h.Again {
				fmt.Fprintf(w, "again  %-34s %-13s %s\n", r.take.Name, e.Kind, event(e, rate))
			}
		}
		for _, m := range r.outcome.Misses {
			count[m.Kind].truths++
			fmt.Fprintf(w, "MISS   %-34s %-13s pictures %d-%d (%.2f s) at %v  %s\n", r.take.Name, m.Kind, m.First, m.Last, float64(m.First)/rate, m.Region, measures(m.Measures))
		}
		for _, e := range r.outcome.False {
			count[e.Kind].false++
			fmt.Fprintf(w, "FALSE  %-34s %-13s %s  %s\n", r.take.Name, e.Kind, event(e, rate), r.take.Negative)
		}
		for _, e := range r.coder {
			fmt.Fprintf(w, "CODER  %-34s %-13s %s  %s\n", r.take.Name, e.Kind, event(e, rate), r.take.Negative)
		}
		if verbose && len(r.cadence) > 0 {
			fmt.Fprintf(w, "       %-34s cadence", r.take.Name)
			for _, c := range r.cadence {
				fmt.Fprintf(w, " %d-%d %s", c.Start, c.End, c.Pattern)
			}
			fmt.Fprintln(w)
		}
	}
	fmt.Fprintf(w, "\n%-14s %7s %7s %8s %9s %11s\n", "kind", "faults", "found", "recall", "false", "in pieces")
	for _, k := range detect.Kinds {
		c := count[k]
		if c.truths == 0 && c.false == 0 {
			continue
		}
		recall := "-"
		if c.truths > 0 {
			recall = fmt.Sprintf("%.0f %%", 100*float64(c.hits)/float64(c.truths))
		}
		precision := ""
		if c.hits+c.false > 0 {
			precision = fmt.Sprintf("  precision %.0f %%", 100*float64(c.hits)/float64(c.hits+c.false))
		}
		fmt.Fprintf(w, "%-14s %7d %7d %8s %9d %11d%s\n", k, c.truths, c.hits, recall, c.false, c.again, precision)
	}
	fmt.Fprintf(w, "%d of %d takes without faults gave no finding; %d takes, %.0f s of work\n", clean, negatives, len(results), spent.Seconds())
}

func event(e detect.Event, rate float64) string {
	return fmt.Sprintf("pictures %d-%d (%.2f s) at %v strength %.1f confidence %.2f, %d marked %s",
		e.Start, e.End, float64(e.Start)/rate, e.Region, e.Strength, e.Confidence, e.Pictures, measures(e.Measures))
}

func measures(m map[string]float64) string {
	names := make([]string, 0, len(m))
	for n := range m {
		names = append(names, n)
	}
	slices.Sort(names)
	var b strings.Builder
	for _, n := range names {
		fmt.Fprintf(&b, "%s=%.3g ", n, m[n])
	}
	return strings.TrimSpace(b.String())
}
