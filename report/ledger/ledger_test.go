package ledger

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"zombiezen.com/go/sqlite"
	"zombiezen.com/go/sqlite/sqlitex"

	"setwitness/detect"
	"setwitness/report"
	"setwitness/report/compare"
)

var noon = time.Date(2026, 3, 4, 12, 0, 0, 0, time.UTC)

// document is that of a small scan with one finding.
func example() *report.Findings {
	doc := &report.Findings{
		Schema: report.SchemaName, Tool: report.Tool{Name: "setwitness", Version: "0.1.0"}, Created: "2026-03-04T11:00:00Z",
		Take: report.Take{
			Path: "takes/match.mp4", SHA256: strings.Repeat("a1", 32), Codec: "h264", PixelFormat: "yuv420p", Width: 1280, Height: 720,
			FrameRate: "50/1", Scan: report.Progressive, DurationS: 12, Frames: 600,
		},
		View:       report.View{Kind: "direct", Raster: report.Raster{Width: 1280, Height: 720}},
		Conditions: report.Conditions{PeakNits: 100, BlackNits: 0.05, EOTF: "bt1886", DistanceHeights: 3, Settings: map[string]string{"set": "living room", "firmware": "2.1"}},
		Coverage:   []report.Coverage{},
		Warnings:   []string{},
		Findings: []report.Finding{{
			ID: "f001", Kind: detect.Combing, StartS: 1, EndS: 2, PeakS: 1.5, StartFrame: 50, EndFrame: 99, PeakFrame: 75,
			Region: report.Region{X: 0.1, Y: 0.2, W: 0.3, H: 0.4}, Strength: report.Quantity{Value: 12, Unit: "%"}, VisibilityJND: 8, Confidence: 0.9,
			Origin: report.Origin{Verdict: "undetermined", Why: "no source clip"}, Measures: map[string]float64{},
			Evidence: report.Evidence{Crop: "crops/f001-crop.png", Context: "crops/f001-context.png"},
		}},
	}
	return doc
}

// folder writes the folder of a scan.
func folder(t *testing.T, doc *report.Findings) string {
	t.Helper()
	dir := t.TempDir()
	if err := os.Mkdir(filepath.Join(dir, "crops"), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := report.Write(filepath.Join(dir, documentName), doc); err != nil {
		t.Fatal(err)
	}
	put(t, dir, "signatures.json", `{"pictures": 600}`)
	put(t, dir, "report.html", "a page")
	put(t, dir, ".setwitness-1", "half written")
	for _, f := range doc.Findings {
		for _, name := range []string{f.Evidence.Crop, f.Evidence.Context} {
			put(t, dir, name, "picture "+name)
		}
	}
	return dir
}

func put(t *testing.T, dir, name, text string) {
	t.Helper()
	if err := os.WriteFile(filepath.Join(dir, filepath.FromSlash(name)), []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
}

// fresh is a new ledger.
func fresh(t *testing.T) *Ledger {
	t.Helper()
	return opened(t, Create, filepath.Join(t.TempDir(), "lab", "ledger.db"))
}

func opened(t *testing.T, open func(context.Context, string) (*Ledger, error), path string) *Ledger {
	t.Helper()
	l, err := open(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	return l
}

func added(t *testing.T, l *Ledger, doc *report.Findings, stated map[string]string) Added {
	t.Helper()
	a, err := l.Add(t.Context(), folder(t, doc), stated, noon)
	if err != nil {
		t.Fatal(err)
	}
	return a
}

// refused wants a fault whose words hold each of want.
func refused(t *testing.T, err error, want ...string) {
	t.Helper()
	if !errors.As(err, new(*Fault)) {
		t.Fatalf("the error is %v, want a fault", err)
	}
	for _, w := range want {
		if !strings.Contains(err.Error(), w) {
			t.Errorf("the fault is %q, want %q in it", err, w)
		}
	}
}

func TestAdd(t *testing.T) {
	l := fresh(t)
	doc := example()
	dir := folder(t, doc)
	a, err := l.Add(t.Context(), dir, map[string]string{"set": "living room", "source": "ball game"}, noon)
	if err != nil || a.Known || a.Scan != 1 {
		t.Fatalf("%+v, %v", a, err)
	}
	want := Scan{ID: 1, Set: "living room", Firmware: "2.1", Source: "ball game", Take: "match.mp4", SHA256: doc.Take.SHA256, Tool: "0.1.0",
		Created: doc.Created, Added: "2026-03-04T12:00:00Z",
		Settings: map[string]string{"set": "living room", "firmware": "2.1", "source": "ball game"}, Findings: map[detect.Kind]int{detect.Combing: 1}}
	got, err := l.Scans(t.Context(), "")
	if err != nil || len(got) != 1 || !reflect.DeepEqual(got[0], want) {
		t.Errorf("listed is %+v, %v", got, err)
	}
	if one, err := l.Scan(t.Context(), 1); err != nil || !reflect.DeepEqual(one, want) {
		t.Errorf("shown is %+v, %v", one, err)
	}
	if none, err := l.Scans(t.Context(), "kitchen"); err != nil || len(none) != 0 {
		t.Errorf("of another set: %+v, %v", none, err)
	}

	// The folder can go.
	if err := os.RemoveAll(dir); err != nil {
		t.Fatal(err)
	}
	back := t.TempDir()
	if err := l.Restore(t.Context(), 1, back); err != nil {
		t.Fatal(err)
	}
	doc.Conditions.Settings["source"] = "ball game"
	read, err := report.Read(filepath.Join(back, documentName))
	if err != nil || !reflect.DeepEqual(read, doc) {
		t.Errorf("the document came back as %+v, %v", read, err)
	}
	if kept, err := l.Document(t.Context(), 1); err != nil || !reflect.DeepEqual(kept, doc) {
		t.Errorf("the document is %+v, %v", kept, err)
	}
	for name, want := range map[string]string{
		"crops/f001-crop.png": "picture crops/f001-crop.png", "crops/f001-context.png": "picture crops/f001-context.png", "signatures.json": `{"pictures": 600}`,
	} {
		if b, err := os.ReadFile(filepath.Join(back, filepath.FromSlash(name))); err != nil || string(b) != want {
			t.Errorf("%s came back as %q, %v", name, b, err)
		}
	}
	if entries, err := os.ReadDir(back); err != nil || len(entries) != 3 {
		t.Errorf("came back: %v, %v", entries, err)
	}
	if _, err := l.Scan(t.Context(), 2); err == nil {
		t.Error("a scan that is not there is shown")
	}
	refused(t, l.Restore(t.Context(), 2, t.TempDir()), "has no scan 2")
}

// What makes two scans the same one, and what not.
func TestSame(t *testing.T) {
	for name, c := range map[string]struct {
		change        func(*report.Findings)
		known, unlike bool
		takes         int64
	}{
		"nothing":        {func(*report.Findings) {}, true, false, 1},
		"scanned later":  {func(d *report.Findings) { d.Created = "2026-05-05T00:00:00Z" }, true, false, 1},
		"file elsewhere": {func(d *report.Findings) { d.Take.Path = "/elsewhere/copy.mp4" }, true, false, 1},
		"other strength": {func(d *report.Findings) { d.Findings[0].Strength.Value = 11 }, false, true, 1},
		"other take":     {func(d *report.Findings) { d.Take.SHA256 = strings.Repeat("b2", 32) }, false, false, 2},
		"other firmware": {func(d *report.Findings) { d.Conditions.Settings["firmware"] = "2.2" }, false, false, 1},
		"other setting":  {func(d *report.Findings) { d.Conditions.Settings["film"] = "off" }, false, false, 1},
		"other distance": {func(d *report.Findings) { d.Conditions.DistanceHeights = 2 }, false, false, 1},
		"other version":  {func(d *report.Findings) { d.Tool.Version = "0.2.0" }, false, false, 1},
		"other source": {func(d *report.Findings) {
			d.Alignment = &report.Alignment{Path: "a.mp4", SHA256: strings.Repeat("cd", 32), Why: "it shows something else"}
		}, false, false, 1},
		"other request":    {func(d *report.Findings) { d.Request = map[string]string{"fields": "weave"} }, false, false, 1},
		"another set's is": {func(d *report.Findings) { d.Conditions.Settings["set"] = "kitchen" }, false, false, 1},
	} {
		t.Run(name, func(t *testing.T) {
			l := fresh(t)
			added(t, l, example(), nil)
			doc := example()
			c.change(doc)
			a := added(t, l, doc, nil)
			if a.Known != c.known || slices.Equal(a.Unlike, []int64{1}) != c.unlike || (a.Scan == 1) != c.known {
				t.Errorf("%+v", a)
			}
			if again := added(t, l, doc, nil); !again.Known || again.Scan != a.Scan {
				t.Errorf("once more: %+v", again)
			}
			if n, err := l.id("SELECT count(*) FROM takes"); n != c.takes || err != nil {
				t.Errorf("%d takes, %v", n, err)
			}
			if want := doc.Conditions.Settings["set"] == "kitchen"; want != slices.Equal(a.Others, []string{"living room"}) {
				t.Errorf("other sets of the take are %q", a.Others)
			}
		})
	}
}

func TestNotAdded(t *testing.T) {
	l := fresh(t)
	for name, c := range map[string]struct {
		change func(*report.Findings)
		hurt   func(t *testing.T, dir string)
		stated map[string]string
		want   string
	}{
		"no set":        {change: func(d *report.Findings) { delete(d.Conditions.Settings, "set") }, want: "does not say which set"},
		"contradiction": {stated: map[string]string{"set": "kitchen"}, want: "set=living room, which is not kitchen"},
		"interrupted":   {change: func(d *report.Findings) { d.Interrupted = true }, want: "interrupted"},
		"missing crop": {hurt: func(t *testing.T, dir string) {
			if err := os.Remove(filepath.Join(dir, "crops", "f001-crop.png")); err != nil {
				t.Fatal(err)
			}
		}, want: "f001-crop.png is missing"},
		"crop is a link": {hurt: func(t *testing.T, dir string) {
			crop := filepath.Join(dir, "crops", "f001-crop.png")
			if err := errors.Join(os.Remove(crop), os.Symlink("/etc/passwd", crop)); err != nil {
				t.Fatal(err)
			}
		}, want: "f001-crop.png is missing"},
		"no document": {hurt: func(t *testing.T, dir string) {
			if err := os.Remove(filepath.Join(dir, documentName)); err != nil {
				t.Fatal(err)
			}
		}, want: "no folder of a scan"},
		"cut document": {hurt: func(t *testing.T, dir string) { put(t, dir, documentName, `{"schema":`) }, want: "line 1"},
	} {
		t.Run(name, func(t *testing.T) {
			doc := example()
			if c.change != nil {
				c.change(doc)
			}
			dir := folder(t, doc)
			if c.hurt != nil {
				c.hurt(t, dir)
			}
			_, err := l.Add(t.Context(), dir, c.stated, noon)
			refused(t, err, dir, c.want)
		})
	}
	if n, err := l.id("SELECT (SELECT count(*) FROM scans) + (SELECT count(*) FROM sets)"); n != 0 || err != nil {
		t.Errorf("%d rows of refused scans, %v", n, err)
	}
}

// Whatever a document says comes back.
func TestAddProperty(t *testing.T) {
	l := fresh(t)
	r := rand.New(rand.NewPCG(1, 2))
	word := func() string {
		letters := []rune("aZ09 '\"%;\\\t\u0000é漢😀-")
		b := make([]rune, 1+r.IntN(12))
		for i := range b {
			b[i] = letters[r.IntN(len(letters))]
		}
		return string(b)
	}
	want := map[int64]*report.Findings{}
	for range 60 {
		doc := example()
		doc.Take.SHA256 = fmt.Sprintf("%064x", r.Uint64N(20)) // some takes more than once
		doc.Conditions.Settings = map[string]string{"set": word(), word(): word(), word(): word()}
		if r.IntN(2) == 0 {
			doc.Conditions.Settings["firmware"] = word()
		}
		one := doc.Findings[0]
		doc.Findings = nil
		for k := range r.IntN(5) {
			f := one
			f.ID = fmt.Sprint("f", k)
			f.Kind = detect.Kinds[r.IntN(len(detect.Kinds))]
			f.Strength.Value = r.NormFloat64()
			if r.IntN(2) == 0 {
				s := r.Float64()
				f.SourceS = &s
			}
			doc.Findings = append(doc.Findings, f)
		}
		if doc.Findings == nil {
			doc.Findings = []report.Finding{}
		}
		a := added(t, l, doc, nil)
		if !a.Known {
			want[a.Scan] = doc
		}
	}
	for id, doc := range want {
		got, err := l.Document(t.Context(), id)
		if err != nil || !reflect.DeepEqual(got, doc) {
			t.Fatalf("scan %d came back as %+v, %v", id, got, err)
		}
		s, err := l.Scan(t.Context(), id)
		if err != nil || s.Set != doc.Conditions.Settings["set"] || s.Firmware != doc.Conditions.Settings["firmware"] || !reflect.DeepEqual(s.Settings, doc.Conditions.Settings) {
			t.Fatalf("scan %d is listed as %+v, %v", id, s, err)
		}
		count := map[detect.Kind]int{}
		for _, f := range doc.Findings {
			count[f.Kind]++
		}
		if !reflect.DeepEqual(s.Findings, count) {
			t.Fatalf("scan %d has %v, listed %v", id, count, s.Findings)
		}
	}
	if err := l.Verify(t.Context()); err != nil {
		t.Error(err)
	}
}

func TestOpen(t *testing.T) {
	dir := t.TempDir()
	file := func(name string, text string) string {
		put(t, dir, name, text)
		return filepath.Join(dir, name)
	}
	other := filepath.Join(dir, "other.db")
	conn, err := sqlite.OpenConn(other, sqlite.OpenReadWrite|sqlite.OpenCreate)
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(sqlitex.ExecScript(conn, "CREATE TABLE people (name TEXT);"), conn.Close()); err != nil {
		t.Fatal(err)
	}
	newer := filepath.Join(dir, "newer.db")
	l, err := Create(t.Context(), newer)
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(l.pragma("user_version = 99"), l.Close()); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ path, want string }{
		{filepath.Join(dir, "missing.db"), "there is no ledger"},
		{dir, "no file that could be a ledger"},
		{file("short.txt", "hello"), "not an SQLite file"},
		{file("long.txt", strings.Repeat("This is a letter. ", 5000)), "not an SQLite file"},
		{other, "an SQLite file, but no ledger"},
		{newer, "schema 99, and this program knows only schemas up to"},
	} {
		before, _ := os.ReadFile(c.path)
		_, err := Open(t.Context(), c.path)
		refused(t, err, c.path, c.want)
		if c.want != "there is no ledger" {
			_, err = Create(t.Context(), c.path)
			refused(t, err, c.path, c.want)
		}
		if after, _ := os.ReadFile(c.path); !bytes.Equal(before, after) {
			t.Errorf("%s was changed", c.path)
		}
	}
	_, err = Create(t.Context(), filepath.Join(other, "in", "ledger.db"))
	refused(t, err, "not a directory")

	// Names with a meaning to SQLite have none here.
	for _, name := range []string{":memory:", "file:x?mode=memory", "a?b#c.db", "é 漢.db", "-"} {
		t.Chdir(t.TempDir())
		l, err := Create(t.Context(), name)
		if err != nil {
			t.Fatal(err)
		}
		added(t, l, example(), nil)
		if err := l.Close(); err != nil {
			t.Fatal(err)
		}
		if _, err := os.Stat(name); err != nil {
			t.Error(err)
		}
	}
	// An empty file is what a program leaves that dies while it makes one.
	opened(t, Open, file("empty.db", ""))
}

// A ledger of any earlier schema is brought up to date, with what is in it.
func TestMigrations(t *testing.T) {
	s, err := schema()
	if err != nil {
		t.Fatal(err)
	}
	tables := func(l *Ledger) (all string) {
		err := l.query("SELECT sql FROM sqlite_schema WHERE sql NOT NULL ORDER BY sql", func(r *sqlite.Stmt) error {
			all += r.ColumnText(0) + "\n"
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
		return all
	}
	want := tables(fresh(t))
	for n := 1; n <= len(s.Migrations); n++ {
		path := filepath.Join(t.TempDir(), "ledger.db")
		conn, err := sqlite.OpenConn(path, sqlite.OpenReadWrite|sqlite.OpenCreate)
		if err != nil {
			t.Fatal(err)
		}
		script := strings.Join(s.Migrations[:n], "\n") + fmt.Sprintf(`
			INSERT INTO sets (name) VALUES ('kept');
			PRAGMA user_version = %d;
			PRAGMA application_id = %d;`, n, appID)
		if err := errors.Join(sqlitex.ExecScript(conn, script), conn.Close()); err != nil {
			t.Fatal(err)
		}
		l := opened(t, Open, path)
		if got := tables(l); got != want {
			t.Errorf("from schema %d the tables are %s", n, got)
		}
		if kept, err := l.id("SELECT count(*) FROM sets WHERE name = 'kept'"); kept != 1 || err != nil {
			t.Errorf("from schema %d: %d rows, %v", n, kept, err)
		}
		added(t, l, example(), nil)
	}
}

// Damage is told, not passed on.
func TestDamage(t *testing.T) {
	l := fresh(t)
	added(t, l, example(), nil)
	if err := l.exec("UPDATE files SET data = ? WHERE name = 'signatures.json'", []byte("x")); err != nil {
		t.Fatal(err)
	}
	refused(t, l.Restore(t.Context(), 1, t.TempDir()), "signatures.json of scan 1 is not what was stored")
	if err := l.exec("UPDATE files SET name = '../out.json', data = ?1, gzip = 0, size = 2, sha256 = ?2 WHERE name = 'signatures.json'", []byte("{}"), hash([]byte("{}"))); err != nil {
		t.Fatal(err)
	}
	back := filepath.Join(t.TempDir(), "in")
	if err := os.Mkdir(back, 0o755); err != nil {
		t.Fatal(err)
	}
	refused(t, l.Restore(t.Context(), 1, back), "escapes")

	path := filepath.Join(t.TempDir(), "ledger.db")
	if err := l.Backup(t.Context(), path); err != nil {
		t.Fatal(err)
	}
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	for i := 4096; i < len(b)-4096; i += 512 {
		copy(b[i:], "damage")
	}
	if err := os.WriteFile(path, b, 0o644); err != nil {
		t.Fatal(err)
	}
	hurt, err := Open(t.Context(), path)
	if err == nil {
		defer hurt.Close()
		err = hurt.Verify(t.Context())
	}
	refused(t, err, path, "is damaged")
}

func TestBaselines(t *testing.T) {
	l := fresh(t)
	dirs := map[int64]string{}
	scan := func(change func(*report.Findings)) int64 {
		doc := example()
		doc.Conditions.Settings["source"] = "ball game"
		change(doc)
		dir := folder(t, doc)
		a, err := l.Add(t.Context(), dir, nil, noon)
		if err != nil {
			t.Fatal(err)
		}
		dirs[a.Scan] = dir
		return a.Scan
	}
	take := func(s string) func(*report.Findings) {
		return func(d *report.Findings) { d.Take.SHA256 = strings.Repeat(s, 32) }
	}
	of := func(scan int64) (Baseline, error) { return l.BaselineOf(t.Context(), dirs[scan], nil, DefaultBaseline) }
	a, b, c := scan(take("aa")), scan(take("bb")), scan(take("cc"))
	kitchen := scan(func(d *report.Findings) { d.Conditions.Settings["set"] = "kitchen" })
	titles := scan(func(d *report.Findings) { d.Conditions.Settings["source"] = "titles" })
	plain := scan(func(d *report.Findings) { delete(d.Conditions.Settings, "source") })

	_, err := of(a)
	refused(t, err, `has no baseline "baseline" for set "living room" and source clip "ball game"`)
	made, replaced, err := l.SetBaseline(t.Context(), DefaultBaseline, []int64{b, a}, noon)
	want := Baseline{ID: 1, Name: "baseline", Set: "living room", Source: "ball game", Made: "2026-03-04T12:00:00Z", Scans: []int64{a, b}, of: Source{Name: "ball game"}}
	if err != nil || replaced != nil || !reflect.DeepEqual(made, want) {
		t.Fatalf("%+v, %+v, %v", made, replaced, err)
	}
	if got, err := of(c); err != nil || !reflect.DeepEqual(got, want) {
		t.Errorf("%+v, %v", got, err)
	}
	if got, err := l.BaselineOf(t.Context(), dirs[plain], map[string]string{"source": "ball game"}, DefaultBaseline); err != nil || got.ID != 1 {
		t.Errorf("with a source that is stated: %+v, %v", got, err)
	}
	if s, err := l.Scan(t.Context(), a); err != nil || !slices.Equal(s.Baselines, []string{"baseline"}) {
		t.Errorf("%+v, %v", s, err)
	}
	_, err = of(titles)
	refused(t, err, `source clip "titles" (of that set it has "baseline" for source clip "ball game")`)
	_, err = of(kitchen)
	refused(t, err, `set "kitchen"`)
	if strings.Contains(err.Error(), "(") {
		t.Errorf("another set's baseline is offered: %v", err)
	}

	// A source clip that was at hand is known by its content, wherever it lies and
	// whatever it is called.
	clip := func(path, sum string) func(*report.Findings) {
		return func(d *report.Findings) {
			delete(d.Conditions.Settings, "source")
			d.Alignment = &report.Alignment{Path: path, SHA256: strings.Repeat(sum, 32), Why: "it shows something else"}
		}
	}
	x, y, z := scan(clip("clips/pan.mp4", "e1")), scan(clip("/other/copy.mp4", "e1")), scan(clip("clips/pan.mp4", "e2"))
	if y != x {
		t.Errorf("with a source elsewhere the same scan is another")
	}
	made, _, err = l.SetBaseline(t.Context(), "by clip", []int64{x}, noon)
	if err != nil || made.Source != "pan.mp4" {
		t.Errorf("%+v, %v", made, err)
	}
	for dir, want := range map[string]bool{dirs[x]: true, dirs[z]: false, dirs[a]: false} {
		if got, err := l.BaselineOf(t.Context(), dir, nil, "by clip"); (err == nil) != want || want && got.ID != made.ID {
			t.Errorf("%+v, %v", got, err)
		}
	}

	// Without a source clip there is a baseline too, and one of another name.
	for name, id := range map[string]int64{DefaultBaseline: plain, "film off": c} {
		if _, replaced, err := l.SetBaseline(t.Context(), name, []int64{id}, noon); replaced != nil || err != nil {
			t.Errorf("%s replaces %+v, %v", name, replaced, err)
		}
	}
	made, replaced, err = l.SetBaseline(t.Context(), DefaultBaseline, []int64{c}, noon.Add(time.Hour))
	if err != nil || replaced == nil || !reflect.DeepEqual(*replaced, want) || !slices.Equal(made.Scans, []int64{c}) {
		t.Errorf("%+v replaces %+v, %v", made, replaced, err)
	}
	if all, err := l.Baselines(t.Context()); err != nil || len(all) != 4 {
		t.Errorf("in force: %+v, %v", all, err)
	}
	if n, err := l.id("SELECT count(*) FROM baselines WHERE replaced = '2026-03-04T13:00:00Z'"); n != 1 || err != nil {
		t.Errorf("%d replaced, %v", n, err)
	}

	for want, scans := range map[string][]int64{
		"needs a scan":           nil,
		"has no scan 99":         {a, 99},
		"named twice":            {a, b, a},
		"different sets":         {a, kitchen},
		"different source clips": {a, titles},
	} {
		_, _, err := l.SetBaseline(t.Context(), "wrong", scans, noon)
		refused(t, err, want)
	}
}

// What came of a check is kept with the baseline that was in force.
func TestChecks(t *testing.T) {
	l := fresh(t)
	var scans []*compare.Scan
	for i, strength := range []float64{12, 30} {
		doc := example()
		doc.Take.SHA256 = fmt.Sprintf("%064x", i)
		doc.Coverage = []report.Coverage{{Kind: detect.Combing, State: detect.Examined, Seconds: 12, Floor: &report.Quantity{Value: 2, Unit: "%"}}}
		doc.Findings[0].Strength.Value = strength
		doc.Findings[0].VisibilityJND = strength / 2
		added(t, l, doc, nil)
		scans = append(scans, &compare.Scan{Folder: "f", Doc: doc})
	}
	base, _, err := l.SetBaseline(t.Context(), DefaultBaseline, []int64{1}, noon)
	if err != nil {
		t.Fatal(err)
	}
	for side, want := range map[int]struct {
		regressed bool
		verdicts  map[compare.Verdict]int
	}{
		0: {false, map[compare.Verdict]int{compare.Persisting: 1}},
		1: {true, map[compare.Verdict]int{compare.Stronger: 1}},
	} {
		c, err := compare.Compare(scans[:1], scans[side:side+1], compare.Options{Version: "0.1.0", Created: noon})
		if err != nil {
			t.Fatal(err)
		}
		id, err := l.Record(t.Context(), base, []int64{int64(side + 1)}, c, noon)
		if err != nil {
			t.Fatal(err)
		}
		all, err := l.Checks(t.Context())
		if err != nil || len(all) == 0 {
			t.Fatalf("%+v, %v", all, err)
		}
		got := all[len(all)-1]
		wanted := Check{ID: id, Baseline: base, Made: stamp(noon), Tool: "0.1.0", Scans: []int64{int64(side + 1)}, Aligned: true, Regressed: want.regressed, Verdicts: want.verdicts}
		if !reflect.DeepEqual(got, wanted) {
			t.Errorf("%+v, want %+v", got, wanted)
		}
	}
	if err := l.Verify(t.Context()); err != nil {
		t.Error(err)
	}
}

// A backup is complete, a single file, and can be made while others write.
func TestBackup(t *testing.T) {
	l := fresh(t)
	first := added(t, l, example(), nil).Scan
	stop, written := make(chan struct{}), make(chan error, 1)
	go func() {
		written <- func() error {
			w, err := Open(context.Background(), l.path)
			if err != nil {
				return err
			}
			defer w.Close()
			for i := 0; ; i++ {
				select {
				case <-stop:
					return nil
				default:
				}
				doc := example()
				doc.Take.SHA256 = fmt.Sprintf("%064x", i)
				if _, err := w.Add(context.Background(), folder(t, doc), nil, noon); err != nil {
					return err
				}
			}
		}()
	}()
	dir := t.TempDir()
	path := filepath.Join(dir, "backup.db")
	last := 0
	for range 5 {
		if err := l.Backup(t.Context(), path); err != nil {
			t.Fatal(err)
		}
		if entries, err := os.ReadDir(dir); err != nil || len(entries) != 1 {
			t.Fatalf("beside the backup: %v, %v", entries, err)
		}
		copied, err := Open(t.Context(), path)
		if err != nil {
			t.Fatal(err)
		}
		scans, err := copied.Scans(t.Context(), "")
		if err != nil || len(scans) < max(last, 1) {
			t.Fatalf("%d scans in a backup, %d in the one before, %v", len(scans), last, err)
		}
		last = len(scans)
		if _, err := copied.Document(t.Context(), first); err != nil {
			t.Error(err)
		}
		if err := errors.Join(copied.Verify(t.Context()), copied.Close()); err != nil {
			t.Error(err)
		}
	}
	close(stop)
	if err := <-written; err != nil {
		t.Fatal(err)
	}

	refused(t, l.Backup(t.Context(), l.path), "is the ledger itself")
	put(t, dir, "letter.txt", "not to be lost")
	refused(t, l.Backup(t.Context(), filepath.Join(dir, "letter.txt")), "letter.txt", "not replaced")
	refused(t, l.Backup(t.Context(), filepath.Join(dir, "no", "backup.db")), "no such file")
	if b, err := os.ReadFile(filepath.Join(dir, "letter.txt")); string(b) != "not to be lost" {
		t.Errorf("the letter is %q, %v", b, err)
	}
	// A backup can be used as the ledger.
	added(t, opened(t, Open, path), example(), map[string]string{"film": "off"})
	otherSQLite(t, path)
}

// otherSQLite lets the SQLite of Python's standard library, which is another
// build from the C sources, look through the file.
func otherSQLite(t *testing.T, path string) {
	t.Helper()
	python, err := exec.LookPath("python3")
	if err != nil {
		t.Log("no python3 to look through the file with another SQLite")
		return
	}
	out, err := exec.Command(python, "-c", `
import sqlite3, sys
c = sqlite3.connect(sys.argv[1])
print(c.execute("pragma integrity_check").fetchone()[0], c.execute("pragma application_id").fetchone()[0])
`, path).CombinedOutput()
	if err != nil || strings.TrimSpace(string(out)) != fmt.Sprint("ok ", appID) {
		t.Errorf("another SQLite says %q, %v", out, err)
	}
}

// Several make the ledger and write to it at once while others read: nothing is
// lost, and no reader sees half a scan.
func TestAtOnce(t *testing.T) {
	const writers, readers, scans = 4, 3, 8
	path := filepath.Join(t.TempDir(), "ledger.db")
	var writing, reading sync.WaitGroup
	stop := make(chan struct{})
	dirs := make([][]string, writers)
	for w := range dirs {
		for i := range scans {
			doc := example()
			doc.Take.SHA256 = fmt.Sprintf("%064x", w*scans+i)
			dirs[w] = append(dirs[w], folder(t, doc))
		}
	}
	for _, mine := range dirs {
		writing.Go(func() {
			l, err := Create(t.Context(), path)
			if err != nil {
				t.Error(err)
				return
			}
			defer l.Close()
			for _, dir := range mine {
				if _, err := l.Add(t.Context(), dir, nil, noon); err != nil {
					t.Error(err)
				}
			}
		})
	}
	for range readers {
		reading.Go(func() {
			seen := 0
			for {
				select {
				case <-stop:
					return
				default:
				}
				l, err := Open(t.Context(), path)
				if errors.Is(err, fs.ErrNotExist) {
					continue
				}
				if err != nil {
					t.Error(err)
					return
				}
				all, err := l.Scans(t.Context(), "")
				if err != nil || len(all) < seen {
					t.Errorf("%d scans after %d, %v", len(all), seen, err)
				}
				seen = len(all)
				for _, s := range all {
					if s.Findings[detect.Combing] != 1 || len(s.Settings) != 2 {
						t.Errorf("half a scan is listed: %+v", s)
					}
				}
				if err := l.Close(); err != nil {
					t.Error(err)
				}
			}
		})
	}
	writing.Wait()
	close(stop)
	reading.Wait()
	l := opened(t, Open, path)
	all, err := l.Scans(t.Context(), "")
	if err != nil || len(all) != writers*scans {
		t.Errorf("%d scans, %v", len(all), err)
	}
	if err := l.Verify(t.Context()); err != nil {
		t.Error(err)
	}
}

// A call that is broken off stores nothing and says that it was broken off.
func TestBrokenOff(t *testing.T) {
	l := fresh(t)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := l.Add(ctx, folder(t, example()), nil, noon); !errors.Is(err, context.Canceled) {
		t.Errorf("the error is %v", err)
	}
	// While another holds the lock, waiting can be broken off.
	other := opened(t, Open, l.path)
	end, err := sqlitex.ImmediateTransaction(other.conn)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel = context.WithTimeout(t.Context(), 50*time.Millisecond)
	defer cancel()
	if _, err := l.Add(ctx, folder(t, example()), nil, noon); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("the error is %v", err)
	}
	end(&err)
	if scans, err := l.Scans(t.Context(), ""); err != nil || len(scans) != 0 {
		t.Errorf("%+v, %v", scans, err)
	}
	added(t, l, example(), nil)
}

// The rows are those that other programs may rely on: the JSON of a scan.
func TestScanJSON(t *testing.T) {
	b, err := json.Marshal(Scan{ID: 3, Set: "living room", Take: "match.mp4", Findings: map[detect.Kind]int{detect.Ghost: 2}})
	if err != nil || !strings.Contains(string(b), `"scan":3,"set":"living room","take":"match.mp4"`) || !strings.Contains(string(b), `"findings":{"ghost":2}`) {
		t.Errorf("%s, %v", b, err)
	}
}
