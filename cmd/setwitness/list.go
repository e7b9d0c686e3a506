package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/spf13/cobra"

	"setwitness/detect"
	"setwitness/report"
	"setwitness/report/summary"
)

// mostList bounds the file of a list: some hundred thousand takes.
const mostList = 16 << 20 // bytes

// listed is one take of a list.
type listed struct {
	line   int
	path   string   // of the take, as the list names it
	fields []string // what stands after it
}

// parseList reads a list: one take a line, then what is asked of it alone, each
// after a tab. Empty lines, and lines that start with #, say nothing.
func parseList(text string) ([]listed, error) {
	var out []listed
	text = strings.TrimPrefix(text, "\ufeff") // the mark that some editors put before a text
	for i, line := range strings.Split(text, "\n") {
		if t := strings.TrimSpace(line); t == "" || strings.HasPrefix(t, "#") {
			continue
		}
		if strings.ContainsRune(line, 0) {
			return nil, fmt.Errorf("line %d: is no text", i+1)
		}
		l := listed{line: i + 1}
		for k, f := range strings.Split(line, "\t") {
			f = strings.TrimSpace(f)
			switch {
			case k == 0 && f == "":
				return nil, fmt.Errorf("line %d: it starts with a tab, not with a take", i+1)
			case k == 0:
				l.path = f
			case f != "": // several tabs in a row line columns up
				l.fields = append(l.fields, f)
			}
		}
		out = append(out, l)
	}
	if len(out) == 0 {
		return nil, errors.New("it names no take")
	}
	return out, nil
}

// part is a share of a list; of zero parts it is all of it.
type part struct{ index, count int }

func parsePart(text string) (part, error) {
	if text == "" {
		return part{}, nil
	}
	a, b, ok := strings.Cut(text, "/")
	index, err1 := strconv.Atoi(a)
	count, err2 := strconv.Atoi(b)
	switch {
	case !ok || err1 != nil || err2 != nil || index < 0 || count < 1:
		return part{}, fmt.Errorf("--part %q is not INDEX/COUNT", text)
	case index >= count:
		return part{}, fmt.Errorf("--part %s: parts are counted from 0, the last of %d is %d/%d", text, count, count-1, count)
	}
	return part{index, count}, nil
}

func (p part) holds(i int) bool { return p.count == 0 || i%p.count == p.index }

func (p part) String() string {
	if p.count == 0 {
		return ""
	}
	return fmt.Sprintf("%d/%d", p.index, p.count)
}

// summaryName is another file for each part, so that machines that share a
// folder never write the same one.
func (p part) summaryName() string {
	if p.count == 0 {
		return "summary.json"
	}
	return fmt.Sprintf("summary-%d-of-%d.json", p.index, p.count)
}

// lists reads the flags of scan that belong to lists.
func (o *scanOptions) lists(c *cobra.Command, text string) (err error) {
	if o.list == "" {
		for _, name := range []string{"at-once", "part"} {
			if c.Flags().Changed(name) {
				return fmt.Errorf("--%s belongs to --list", name)
			}
		}
		return nil
	}
	if o.out == "" {
		return errors.New("--list needs --out, the folder of all reports")
	}
	if o.atOnce < 1 {
		return fmt.Errorf("--at-once %d is not 1 or more", o.atOnce)
	}
	o.part, err = parsePart(text)
	return err
}

// job is one take of a list, on its way.
type job struct {
	take summary.Take
	path string // of the take, from here
	o    *scanOptions
}

// readList reads the list of o and returns its takes, all of them.
func readList(f *factory, o *scanOptions) ([]job, error) {
	info, err := os.Stat(o.list)
	if err == nil && info.Size() > mostList {
		err = fmt.Errorf("%s: larger than %d bytes, which no list is", o.list, mostList)
	}
	if err != nil {
		return nil, err
	}
	text, err := os.ReadFile(o.list)
	if err != nil {
		return nil, err
	}
	takes, err := parseList(string(text))
	if err != nil {
		return nil, fmt.Errorf("%s: %w", o.list, err)
	}
	dir := filepath.Dir(o.list)
	var jobs []job
	type same struct{ path, args string }
	lines := map[same]int{}
	var paths []string
	for _, l := range takes {
		own := &scanOptions{}
		a, err := o.asked.and(l.fields, dir)
		if err == nil {
			err = own.parse(f, a)
		}
		key := same{filepath.Clean(l.path), strings.Join(a.args(), "\x00")}
		if first, twice := lines[key]; err == nil && twice {
			err = fmt.Errorf("it asks the same as line %d", first)
		}
		if err != nil {
			return nil, fmt.Errorf("%s: line %d: %w", o.list, l.line, err)
		}
		lines[key] = l.line
		path := l.path
		if !filepath.IsAbs(path) {
			path = filepath.Join(dir, path)
		}
		paths = append(paths, path)
		jobs = append(jobs, job{summary.Take{Line: l.line, Path: l.path, State: summary.Waiting}, path, own})
	}
	for i, name := range stems(paths) {
		jobs[i].take.Folder = name
	}
	return jobs, nil
}

// scanList scans the takes of a list, several at once, each in a program of its
// own: one that breaks the decoder down takes nothing else with it.
func scanList(f *factory, o *scanOptions) error {
	jobs, err := readList(f, o)
	if err != nil {
		return unusable{err}
	}
	all := jobs
	jobs = nil
	for i, j := range all {
		if o.part.holds(i) {
			jobs = append(jobs, j)
		}
	}
	if err := os.MkdirAll(o.out, 0o755); err != nil {
		return (&folder{path: o.out}).fault(err)
	}
	soft, hard, stop := f.signals()
	defer stop()
	r := &round{f: f, out: o.out, threads: o.threads, jobs: jobs}
	if r.threads == 0 && o.atOnce > 1 {
		r.threads = max(1, runtime.NumCPU()/o.atOnce) // each would take them all
	}
	if !o.quiet {
		r.columns = f.errColumns
	}
	code := r.run(soft, hard, o.atOnce)

	s := &summary.Summary{
		Schema: summary.SchemaName, Tool: report.Tool{Name: "setwitness", Version: version}, Created: f.now().UTC().Format(time.RFC3339),
		List: o.list, Part: o.part.String(), Takes: []summary.Take{},
	}
	for _, j := range jobs {
		s.Takes = append(s.Takes, j.take)
	}
	s.Count()
	path := filepath.Join(o.out, o.part.summaryName())
	if err := summary.Write(path, s); err != nil {
		return (&folder{path: path}).fault(err)
	}
	switch {
	case o.json:
		err = summary.Encode(f.out, s)
	case !o.quiet:
		_, err = io.WriteString(f.out, plain(summaryTable(s, path)))
	}
	switch {
	case err != nil:
		return err
	case soft.Err() != nil:
		complain(f.err, fmt.Errorf("%s: interrupted; the same command goes on from here", o.list))
		return exit(exitInterrupted)
	case code != exitDone:
		return exit(code)
	}
	return nil
}

// round goes once through a list.
type round struct {
	f       *factory
	out     string
	threads int
	columns int // of the terminal that is told how far it is, or 0
	jobs    []job

	sources      sums // of the source clips
	mu           sync.Mutex
	code         int
	done, atWork int
	failed       int
}

// run scans all jobs and returns the exit code, that of an interrupt aside.
func (r *round) run(soft, hard context.Context, atOnce int) int {
	next := make(chan *job)
	var workers sync.WaitGroup
	for range min(atOnce, len(r.jobs)) {
		workers.Go(func() {
			for j := range next {
				r.told(func() { r.atWork++ })
				code := r.scan(soft, hard, j)
				r.told(func() {
					r.atWork--
					r.done++
					if j.take.State == summary.Failed {
						r.failed++
					}
					// An internal failure weighs more than a bad take.
					if code == exitInternal || r.code == exitDone {
						r.code = code
					}
				})
			}
		})
	}
	for i := range r.jobs {
		select {
		case next <- &r.jobs[i]:
			continue
		case <-soft.Done():
		}
		break
	}
	close(next)
	workers.Wait()
	r.clear()
	return r.code
}

// told changes what the terminal shows of how far it is.
func (r *round) told(change func()) {
	r.mu.Lock()
	defer r.mu.Unlock()
	change()
	if r.columns == 0 {
		return
	}
	line := fmt.Sprintf("%d/%d takes, %d at work", r.done, len(r.jobs), r.atWork)
	if r.failed > 0 {
		line += fmt.Sprintf(", %d failed", r.failed)
	}
	fmt.Fprint(r.f.err, "\r"+line[:min(len(line), r.columns-1)]+"\x1b[K")
}

func (r *round) clear() {
	if r.columns > 0 {
		fmt.Fprint(r.f.err, "\r\x1b[K")
	}
}

// scan scans the take of a job, unless it has been, and returns the exit code
// for it.
func (r *round) scan(soft, hard context.Context, j *job) int {
	fail := func(code int, why error) int {
		j.take.State, j.take.Why = summary.Failed, oneLine(why.Error())
		r.mu.Lock()
		defer r.mu.Unlock()
		r.clear()
		complain(r.f.err, why)
		return code
	}
	doc, err := r.finished(soft, j)
	switch {
	case soft.Err() != nil:
		return exitDone // it waits
	case err != nil:
		return fail(exitUnusable, err)
	case doc != nil:
		j.take.State = summary.Skipped
		j.take.Tell(doc)
		return exitDone
	}
	folder := filepath.Join(r.out, j.take.Folder)
	if err := clean(folder); err != nil {
		return fail(exitUnusable, err)
	}
	defer os.Remove(folder) // if nothing came of it
	args := append([]string{"scan", "--quiet", "--out=" + folder, "--threads=" + strconv.Itoa(r.threads)}, j.o.asked.args()...)
	code, said, err := r.f.another(soft, hard, append(args, "--", j.path))
	said = strings.TrimSpace(said)
	last, ours := strings.CutPrefix(said[strings.LastIndexByte(said, '\n')+1:], "setwitness: ")
	switch {
	case err == nil && code == exitDone:
		doc, err := report.Read(filepath.Join(folder, findingsName))
		if err != nil {
			return fail(exitInternal, fmt.Errorf("%s: internal failure: the scan ended well without a report: %w", j.path, err))
		}
		j.take.State = summary.Scanned
		j.take.Tell(doc)
		return exitDone
	case err == nil && code == exitInterrupted:
		j.take.State = summary.Interrupted
		return exitDone
	case err == nil && ours && code == exitUnusable:
		return fail(exitUnusable, errors.New(last))
	case err == nil && ours:
		return fail(exitInternal, errors.New(last))
	}
	// What a program says that breaks down starts with the reason.
	first, _, _ := strings.Cut(said, "\n")
	if err == nil {
		err = fmt.Errorf("exit code %d", code)
	}
	if first != "" {
		err = fmt.Errorf("%w (%s)", err, first)
	}
	return fail(exitInternal, fmt.Errorf("%s: internal failure: the scan broke down: %w", j.path, err))
}

// clean makes the folder of a take, so that a scan has its stage in it, and
// removes stages of scans that broke down there.
func clean(path string) error {
	if err := os.MkdirAll(path, 0o755); err != nil {
		return (&folder{path: path}).fault(err)
	}
	entries, err := os.ReadDir(path)
	for _, e := range entries {
		if strings.HasPrefix(e.Name(), stagePrefix) {
			err = errors.Join(err, os.RemoveAll(filepath.Join(path, e.Name())))
		}
	}
	if err != nil {
		return (&folder{path: path}).fault(err)
	}
	return nil
}

// finished returns the document of the take of a job where it is complete and
// came of the same file by the same scan, else nil.
func (r *round) finished(ctx context.Context, j *job) (*report.Findings, error) {
	doc, err := report.Read(filepath.Join(r.out, j.take.Folder, findingsName))
	if err != nil {
		return nil, nil // whatever is there, a scan replaces it
	}
	if doc.Interrupted || doc.Tool.Version != version || !maps.Equal(doc.Request, j.o.request) || !maps.Equal(doc.Conditions.Settings, j.o.settings) {
		return nil, nil
	}
	played := ""
	if a := doc.Alignment; a != nil {
		played = a.SHA256
	}
	source := ""
	if path := j.o.asked.source; path != "" {
		if source, err = r.sources.of(ctx, path); err != nil {
			return nil, fmt.Errorf("--source: %w", err)
		}
	}
	if source != played {
		return nil, nil
	}
	sum, err := sumFile(ctx, j.path)
	if err != nil {
		return nil, err
	}
	if sum != doc.Take.SHA256 {
		return nil, nil
	}
	return doc, nil
}

// sums keeps the checksums of files that many takes have in common.
type sums struct {
	mu   sync.Mutex
	done map[string]string
}

func (s *sums) of(ctx context.Context, path string) (string, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if sum, ok := s.done[path]; ok {
		return sum, nil
	}
	sum, err := sumFile(ctx, path)
	if err != nil {
		return "", err
	}
	if s.done == nil {
		s.done = map[string]string{}
	}
	s.done[path] = sum
	return sum, nil
}

// summaryTable is what a person is told of a list.
func summaryTable(s *summary.Summary, path string) string {
	rows := [][]string{{"line", "take", "state", "length", "found"}}
	for _, t := range s.Takes {
		found, length := "", ""
		switch t.State {
		case summary.Scanned, summary.Skipped:
			found, length = counts(t.Findings, detect.Kinds), report.Length(t.DurationS)
		case summary.Failed:
			found = t.Why
		}
		rows = append(rows, []string{strconv.Itoa(t.Line), t.Path, string(t.State), length, found})
	}
	lines := align(rows)
	for i := range lines {
		lines[i] = strings.TrimRight(lines[i], " ")
	}
	lines = append(lines, "", fmt.Sprintf("%d takes: %s", len(s.Takes), counts(s.Counts, summary.States)))
	for _, k := range detect.Kinds {
		if f, ok := s.Found[k]; ok {
			lines = append(lines, fmt.Sprintf("%s: %d in %d takes", k, f.Findings, f.Takes))
		}
	}
	return strings.Join(append(lines, "summary: "+path, ""), "\n")
}
