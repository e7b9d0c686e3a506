// Exam films the catalogue of captures, writes each as a phone does, reads it
// back as a scan does, and prints how far the screen was found, the refresh
// locked and the pictures told apart, which faults were found, and every miss
// and false alarm.
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

	"setwitness/detect"
	"setwitness/testdata/blocks"
	"setwitness/testdata/filming"
	"setwitness/testdata/gradients"
	"setwitness/testdata/takes"
)

// settings are the command line.
type settings struct {
	only    string
	set     string
	seed    int64
	count   int
	seconds float64
	dir     string
	workers int
	verbose bool
}

func main() {
	var s settings
	flag.StringVar(&s.only, "only", "", "run captures whose name contains one of these `words` (comma between them)")
	flag.StringVar(&s.set, "set", "faulty", "faulty, lookalikes, dark, clean or rates")
	flag.Int64Var(&s.seed, "seed", 1, "seed of the catalogue")
	flag.IntVar(&s.count, "count", 20, "captures of the sets clean and rates")
	flag.Float64Var(&s.seconds, "seconds", 3, "length of the captures of the sets clean and rates")
	flag.StringVar(&s.dir, "dir", "", "keep the files in this `folder`, and use those that are there")
	flag.IntVar(&s.workers, "workers", 2, "captures that run at one time")
	flag.BoolVar(&s.verbose, "v", false, "print every event with its measures")
	flag.Parse()
	if err := run(context.Background(), os.Stdout, s); err != nil {
		fmt.Fprintln(os.Stderr, "exam:", err)
		os.Exit(1)
	}
}

func cases(s settings) ([]filming.Case, error) {
	switch s.set {
	case "faulty":
		return filming.Faulty(s.seed), nil
	case "lookalikes":
		return filming.LookAlikes(s.seed), nil
	case "dark":
		return append(dark(s.seed, gradients.All(s.seed)), dark(s.seed+1, blocks.All(s.seed))...), nil
	case "clean":
		return filming.Clean(s.seed, s.count, s.seconds), nil
	case "rates":
		return rates(s.seed, s.count, s.seconds), nil
	}
	return nil, fmt.Errorf("no set of captures is named %q", s.set)
}

// dark films takes of dark scenes and gradients. How light a gradient is the
// camera's exposure alone says, so that either kind may claim it.
func dark(seed int64, list []takes.Take) []filming.Case {
	either := []detect.Kind{detect.NearBlackBanding, detect.Posterisation}
	for i := range list {
		for k := range list[i].Truth {
			if t := &list[i].Truth[k]; slices.Contains(either, t.Kind) {
				t.Or = either
			}
		}
	}
	return filming.Filmed(seed, list, func(takes.Take) bool { return true })
}

func run(ctx context.Context, w io.Writer, s settings) error {
	chosen, err := cases(s)
	if err != nil {
		return err
	}
	chosen = slices.DeleteFunc(chosen, func(c filming.Case) bool {
		return !slices.ContainsFunc(strings.Split(s.only, ","), func(part string) bool { return strings.Contains(c.Name, part) })
	})
	dir := s.dir
	if dir == "" {
		if dir, err = os.MkdirTemp("", "exam"); err != nil {
			return err
		}
		defer os.RemoveAll(dir)
	}
	results := make([]result, len(chosen))
	jobs := make(chan int)
	var wait sync.WaitGroup
	var mu sync.Mutex
	for range max(s.workers, 1) {
		wait.Go(func() {
			for i := range jobs {
				results[i] = examine(ctx, chosen[i], fmt.Sprintf("%s-%d", s.set, s.seed), dir, s.dir != "")
				mu.Lock()
				results[i].print(w, s.verbose)
				mu.Unlock()
				chosen[i] = filming.Case{}
			}
		})
	}
	for i := range chosen {
		jobs <- i
	}
	close(jobs)
	wait.Wait()
	sum(w, results)
	return nil
}

func (r *result) print(w io.Writer, verbose bool) {
	fmt.Fprintf(w, "%-34s %-10s set %6.2f of %5.2f camera %6.2f: ", r.name, r.situation, r.refresh, r.rate, r.camera)
	switch {
	case r.err != nil:
		fmt.Fprintf(w, "FAILED: %v\n", r.err)
		return
	case !r.screen:
		fmt.Fprintf(w, "NO SCREEN: %s\n", r.why)
		return
	}
	fmt.Fprintf(w, "%s %7.3f Hz off %+.3f exposure %.2f (%.2f) corners %.2f px; locked %3.0f %% trusted %3.0f %% pure %5.1f %% kept %3.0f %% order %d; picture right %.2f %%, mixed caught %.1f %% of %d, of light %.1f %%\n",
		map[bool]string{true: "ok  ", false: "LOST"}[r.found], r.hz, r.off, r.exposure, r.exposed, r.corners,
		100*r.locked, 100*r.trusted, 100*share(r.pure, r.bands), 100*share(r.kept, r.shown), r.disorder,
		100*r.mixing.rightShare(), 100*r.mixing.caughtShare(), r.mixing.mixed, 100*r.mixing.litShare())
	if !r.found {
		fmt.Fprintf(w, "       %s\n", r.why)
	}
	for _, m := range r.outcome.Misses {
		fmt.Fprintf(w, "  MISS  %-13s pictures %d-%d (%.2f s) at %v\n", m.Kind, m.First, m.Last, float64(m.First)/r.rate, m.Region)
	}
	for _, e := range r.outcome.False {
		fmt.Fprintf(w, "  FALSE %s\n", event(e))
	}
	for _, h := range r.outcome.Hits {
		fmt.Fprintf(w, "  hit   %-13s late %+.0f pictures, in %d pieces\n", h.Truth.Kind, h.Late*r.rate, 1+len(h.Again))
		if verbose {
			fmt.Fprintf(w, "        %s\n", event(h.Event))
		}
	}
	if verbose {
		for _, c := range r.cadence {
			fmt.Fprintf(w, "        cadence %d-%d %s %.2f/s\n", c.Start, c.End, c.Pattern, c.NewPerS)
		}
	}
}

func event(e detect.Event) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%-13s pictures %d-%d at %v strength %.1f confidence %.2f", e.Kind, e.Start, e.End, e.Region, e.Strength, e.Confidence)
	names := make([]string, 0, len(e.Measures))
	for n := range e.Measures {
		names = append(names, n)
	}
	slices.Sort(names)
	for _, n := range names {
		fmt.Fprintf(&b, " %s=%.3g", n, e.Measures[n])
	}
	return b.String()
}

func share(n, of int) float64 {
	if of == 0 {
		return 0
	}
	return float64(n) / float64(of)
}

// sum prints what all captures together show.
func sum(w io.Writer, results []result) {
	type tally struct{ truths, hits, exact, again, false int }
	count := map[detect.Kind]*tally{}
	for _, k := range detect.Kinds {
		count[k] = &tally{}
	}
	var screens, found, near, pure, bands, kept, shown, disorder int
	var locked, trusted, seconds float64
	var mixing mixing
	var examineS, sourceS, stagesS, decodeS float64
	for i := range results {
		r := &results[i]
		if r.screen {
			screens++
		}
		if r.found {
			found++
		}
		if r.found && r.off < 0.05 && r.off > -0.05 {
			near++
		}
		pure, bands, kept, shown, disorder = pure+r.pure, bands+r.bands, kept+r.kept, shown+r.shown, disorder+r.disorder
		mixing.add(r.mixing)
		locked, trusted, seconds = locked+r.locked, trusted+r.trusted, seconds+r.seconds
		examineS, sourceS, stagesS, decodeS = examineS+r.spent.examine, sourceS+r.spent.source, stagesS+r.spent.stages, decodeS+r.spent.decode
		for _, h := range r.outcome.Hits {
			c := count[h.Truth.Kind]
			c.truths++
			c.hits++
			c.again += len(h.Again)
			if late := h.Late * r.rate; late < 1.5 && late > -1.5 {
				c.exact++
			}
		}
		for _, m := range r.outcome.Misses {
			count[m.Kind].truths++
		}
		for _, e := range r.outcome.False {
			count[e.Kind].false++
		}
	}
	n := len(results)
	fmt.Fprintf(w, "\n%d captures of %.0f s: screen found %d, refresh found %d, within 0.05 Hz %d; locked %.1f %%, trusted %.1f %%\n",
		n, seconds, screens, found, near, 100*locked/float64(max(n, 1)), 100*trusted/float64(max(n, 1)))
	fmt.Fprintf(w, "trusted bands that show one picture, the right one: %.2f %% of %d; pictures of the source kept %.1f %% of %d; out of order %d\n",
		100*share(pure, bands), bands, 100*share(kept, shown), shown, disorder)
	fmt.Fprintf(w, "where pictures differ: bands not marked mixed that show the picture said %.2f %% of %d; mixed bands marked %.2f %% of %d, by light %.2f %% of %d\n",
		100*mixing.rightShare(), mixing.single, 100*mixing.caughtShare(), mixing.mixed, 100*mixing.litShare(), mixing.lit)
	fmt.Fprintf(w, "wall time: decoding alone %.1f s, survey %.1f s, decoding and rebuilding %.1f s, stages %.1f s\n", decodeS, examineS, sourceS, stagesS)
	fmt.Fprintf(w, "%-14s %7s %7s %8s %9s %11s %6s\n", "kind", "faults", "found", "recall", "on time", "in pieces", "false")
	for _, k := range detect.Kinds {
		if c := count[k]; c.truths > 0 || c.false > 0 {
			fmt.Fprintf(w, "%-14s %7d %7d %6.0f %% %9d %11d %6d\n", k, c.truths, c.hits, 100*share(c.hits, c.truths), c.exact, c.again, c.false)
		}
	}
}
