// Exam compares invented scans of known faults, and scans of real passes of the
// same takes, and prints which verdicts were right and how often the interval of an
// overall change holds what was changed.
package main

import (
	"flag"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"setwitness/detect"
	"setwitness/report"
	"setwitness/report/compare"
	"setwitness/testdata/comparisons"
)

type settings struct {
	passes  string
	seed    uint64
	pairs   int
	verbose bool
}

func main() {
	var s settings
	flag.StringVar(&s.passes, "passes", "", "compare every two scans DIR/TAKE/PASS of real takes in place of invented ones")
	flag.Uint64Var(&s.seed, "seed", 1, "seed of the invented scans")
	flag.IntVar(&s.pairs, "pairs", 200, "comparisons of each design")
	flag.BoolVar(&s.verbose, "v", false, "print every wrong verdict")
	flag.Parse()
	var err error
	if s.passes != "" {
		err = real(os.Stdout, s)
	} else {
		if err = invented(os.Stdout, s); err == nil {
			err = overall(os.Stdout, s)
		}
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, "exam:", err)
		os.Exit(1)
	}
}

// What becomes of a fault.
type fate string

const (
	unchanged fate = "unchanged"
	gone      fate = "gone"
	come      fate = "come"
	doubled   fate = "twice as strong"
	halved    fate = "half as strong"
)

var fates = []fate{unchanged, gone, come, doubled, halved}

// fair is how many times its floor a fault has to be for "not comparable" to be
// a wrong verdict on it, where the kind can be examined on both sides: for kinds
// whose strength scatters from take to take, more.
func fair(f comparisons.Fault, passes int) float64 {
	switch {
	case f.Kind == detect.CadenceBreak:
		return 1
	case f.Kind == detect.Macroblocking:
		return 12
	case passes > 1:
		return 2.5
	}
	return 4
}

// right reports whether a verdict is one that a careful person would give.
func right(c fate, f comparisons.Fault, v compare.Verdict, passes int) bool {
	clear := f.Strength >= fair(f, passes)*f.Floor
	// Half of it cannot be told from nothing.
	hidden := f.Strength/2 < 1.5*f.Floor
	switch c {
	case unchanged:
		return v == compare.Persisting || v == compare.NotComparable && !clear
	case gone:
		return v == compare.Fixed || v == compare.NotComparable && !clear
	case come:
		return v == compare.New || v == compare.NotComparable && !clear
	case doubled:
		// Half of it was before.
		clear = f.Strength >= 2*fair(f, passes)*f.Floor
		return v == compare.Stronger || !clear && (v == compare.NotComparable || v == compare.Persisting) ||
			f.Kind == detect.Macroblocking && v == compare.Persisting || hidden && v == compare.New
	}
	clear = f.Strength >= 2*fair(f, passes)*f.Floor
	return v == compare.Weaker || !clear && (v == compare.NotComparable || v == compare.Persisting) ||
		f.Kind == detect.Macroblocking && v == compare.Persisting || hidden && v == compare.Fixed
}

type tally struct {
	verdicts map[compare.Verdict]int
	right, n int
}

// passes compares so many scans a side of takes with the faults before and after.
func passes(r *rand.Rand, takes comparisons.Takes, n int, before, after []comparisons.Fault) (*compare.Comparison, error) {
	var one, two []*compare.Scan
	for range n {
		one, two = append(one, takes.Scan(r, before)), append(two, takes.Scan(r, after))
	}
	return compare.Compare(one, two, compare.Options{})
}

func invented(w io.Writer, s settings) error {
	for _, d := range []struct {
		name    string
		passes  int
		takes   comparisons.Takes
		changes bool
	}{
		{"unchanged, one pass a side", 1, comparisons.Takes{Seconds: 40, Late: 0.5, False: 0.2}, false},
		{"unchanged, films", 1, comparisons.Takes{Seconds: 40, Late: 2, False: 0.3, Filmed: true}, false},
		{"unchanged, three passes a side", 3, comparisons.Takes{Seconds: 40, Late: 0.5, False: 0.2}, false},
		{"changed, one pass a side", 1, comparisons.Takes{Seconds: 40, Late: 0.5, False: 0.2}, true},
		{"changed, kinds blind at times", 1, comparisons.Takes{Seconds: 40, Late: 0.5, False: 0.2, Blind: 0.2}, true},
		{"changed, three passes a side", 3, comparisons.Takes{Seconds: 40, Late: 0.5, False: 0.2}, true},
		{"changed, films, five passes", 5, comparisons.Takes{Seconds: 40, Late: 2, False: 0.3, Filmed: true}, true},
	} {
		r := rand.New(rand.NewPCG(s.seed, uint64(len(d.name))))
		count := map[fate]*tally{}
		for _, c := range fates {
			count[c] = &tally{verdicts: map[compare.Verdict]int{}}
		}
		madeUp := map[compare.Verdict]int{} // of pairs that are no fault
		falseNew, falseFixed, missed, alarms, compared, flawless := 0, 0, 0, 0, 0, 0
		for range s.pairs {
			faults := comparisons.Faults(r, 2+r.IntN(6), d.takes.Seconds)
			fate := make([]fate, len(faults))
			var before, after []comparisons.Fault
			for i, f := range faults {
				fate[i] = unchanged
				if d.changes {
					fate[i] = fates[r.IntN(len(fates))]
				}
				if f.Kind == detect.CadenceBreak && (fate[i] == doubled || fate[i] == halved) {
					fate[i] = unchanged
				}
				b, a := f, f
				switch fate[i] {
				case doubled:
					b.Strength /= 2
				case halved:
					a.Strength /= 2
				}
				if fate[i] != come {
					before = append(before, b)
				}
				if fate[i] != gone {
					after = append(after, a)
				}
			}
			c, err := passes(r, d.takes, d.passes, before, after)
			if err != nil {
				return err
			}
			if !c.Aligned {
				// Without a finding there is no source time to lay takes beside
				// each other in this model.
				continue
			}
			used := make([]bool, len(c.Pairs))
			good := true
			compared++
			for i, f := range faults {
				k := find(c, f, used)
				if k < 0 {
					missed++ // no take shows it
					continue
				}
				used[k] = true
				v := c.Pairs[k].Verdict
				t := count[fate[i]]
				t.n++
				t.verdicts[v]++
				blind := v == compare.NotComparable && (strings.Contains(c.Pairs[k].Why, "nothing moves") || strings.Contains(c.Pairs[k].Why, "of the common time"))
				if right(fate[i], f, v, d.passes) || blind {
					t.right++
				} else if good = false; s.verbose {
					fmt.Fprintf(w, "  WRONG %s: %s %.1f times its floor, %s: %s\n", fate[i], f.Kind, f.Strength/f.Floor, v, c.Pairs[k].Why)
				}
				if v == compare.New && fate[i] == unchanged {
					falseNew++
				}
				if v == compare.Fixed && fate[i] == unchanged {
					falseFixed++
				}
			}
			for i := range c.Pairs {
				// Another piece of a fault is judged like the first.
				if used[i] || slices.ContainsFunc(faults, func(f comparisons.Fault) bool { return at(&c.Pairs[i], f) < near }) {
					continue
				}
				madeUp[c.Pairs[i].Verdict]++
				if v := c.Pairs[i].Verdict; v == compare.New || v == compare.Fixed {
					alarms++
					good = false
					if s.verbose {
						fmt.Fprintf(w, "  MADE UP %s: %s %s\n", v, c.Pairs[i].Kind, c.Pairs[i].Why)
					}
				}
			}
			if good {
				flawless++
			}
		}
		fmt.Fprintf(w, "%s: %d comparisons\n", d.name, s.pairs)
		total, rights := 0, 0
		for _, c := range fates {
			t := count[c]
			if t.n == 0 {
				continue
			}
			total, rights = total+t.n, rights+t.right
			fmt.Fprintf(w, "  %-16s %5d right of %5d (%5.1f %%): %s\n", c, t.right, t.n, 100*float64(t.right)/float64(t.n), spread(t.verdicts))
		}
		fmt.Fprintf(w, "  all %d right of %d (%.1f %%), in %d of %d comparisons without a wrong one; unchanged faults called new %d, fixed %d; shown by no take %d; false alarms: %s, of which new or fixed %d\n",
			rights, total, 100*float64(rights)/math.Max(float64(total), 1), flawless, compared, falseNew, falseFixed, missed, spread(madeUp), alarms)
	}
	return nil
}

func spread(m map[compare.Verdict]int) string {
	var parts []string
	for _, v := range compare.Verdicts {
		if m[v] > 0 {
			parts = append(parts, fmt.Sprintf("%s %d", v, m[v]))
		}
	}
	if len(parts) == 0 {
		return "none"
	}
	return strings.Join(parts, ", ")
}

// find is the pair of a fault: the one of its kind whose time is the nearest.
func find(c *compare.Comparison, f comparisons.Fault, used []bool) int {
	best, gap := -1, near
	for i := range c.Pairs {
		if d := at(&c.Pairs[i], f); !used[i] && d < gap {
			best, gap = i, d
		}
	}
	return best
}

// near is how far a pair may lie from its fault, s.
const near = 0.5

// at is how far a pair lies from a fault in time.
func at(p *compare.Pair, f comparisons.Fault) float64 {
	if p.Kind != f.Kind || p.SourceS == nil {
		return math.Inf(1)
	}
	return max(f.Start-*p.SourceS, *p.SourceS-f.Start-f.Length, 0)
}

// real compares every two passes of each take.
func real(w io.Writer, s settings) error {
	takes, err := os.ReadDir(s.passes)
	if err != nil {
		return err
	}
	all := map[compare.Verdict]int{}
	pairs := 0
	logs := map[detect.Kind][]float64{} // of ratios of strengths
	likely, doubtful := &misses{}, &misses{}
	for _, t := range takes {
		if !t.IsDir() {
			continue
		}
		dirs, err := filepath.Glob(filepath.Join(s.passes, t.Name(), "*", "findings.json"))
		if err != nil {
			return err
		}
		var scans []*compare.Scan
		for _, d := range dirs {
			one, err := compare.Load(filepath.Dir(d))
			if err != nil {
				return err
			}
			scans = append(scans, one)
		}
		count := map[compare.Verdict]int{}
		unaligned := 0
		for i := range scans {
			for k := range scans {
				if i == k {
					continue
				}
				pairs++
				c, err := compare.Compare(scans[i:i+1], scans[k:k+1], compare.Options{})
				if err != nil {
					return err
				}
				if !c.Aligned {
					unaligned++
				}
				for _, p := range c.Pairs {
					m := doubtful
					if l, told := strong(&p, scans[i], scans[k]); !told {
						m = nil
					} else if l {
						m = likely
					}
					if m != nil {
						m.shown++
						if p.After.Seen == 0 {
							m.missed++
						}
					}
					count[p.Verdict]++
					all[p.Verdict]++
					if p.Ratio != nil {
						logs[p.Kind] = append(logs[p.Kind], math.Log(p.Ratio.Value))
					}
					if s.verbose && (p.Verdict != compare.Persisting) {
						fmt.Fprintf(w, "  %s %s and %s: %s %s: %s\n", t.Name(), filepath.Base(scans[i].Folder), filepath.Base(scans[k].Folder), p.Kind, p.Verdict, p.Why)
					}
				}
			}
		}
		fmt.Fprintf(w, "%-24s %d passes, %d pairs not aligned: %s\n", t.Name(), len(scans), unaligned, spread(count))
	}
	fmt.Fprintf(w, "%d pairs: %s\n", pairs, spread(all))
	fmt.Fprintf(w, "of faults that one pass shows at twice the floor of another or more, sure to 90 %%, that misses %d of %d; of others %d of %d\n",
		likely.missed, likely.shown, doubtful.missed, doubtful.shown)
	for _, k := range detect.Kinds {
		if n := len(logs[k]); n > 0 {
			sum := 0.0
			for _, l := range logs[k] {
				sum += l * l
			}
			slices.Sort(logs[k])
			// A ratio has the scatter of two takes.
			fmt.Fprintf(w, "%-20s strength scatters by %.3f (standard deviation of its logarithm in one take, %d ratios), ratios to %.2f\n", k, math.Sqrt(sum/float64(n)/2), n, math.Exp(logs[k][n-1]))
		}
	}
	return nil
}

// misses counts faults that one pass shows, and of those what another misses.
type misses struct{ shown, missed int }

// strong reports whether what the first of two passes shows is well above the floor of
// the other, and sure; told is false where it shows nothing or the other could not.
func strong(p *compare.Pair, shows, other *compare.Scan) (yes, told bool) {
	if p.Before.Seen == 0 || p.After.Of == 0 {
		return false, false
	}
	f := shows.Doc.Findings[slices.IndexFunc(shows.Doc.Findings, func(f report.Finding) bool { return f.ID == p.Before.Findings[0].ID })]
	floor := 0.0
	for _, c := range other.Doc.Coverage {
		if c.Kind == p.Kind && c.Floor != nil {
			floor = c.Floor.Value
		}
	}
	return f.Confidence >= 0.9 && f.Strength.Value >= 2*floor, true
}
