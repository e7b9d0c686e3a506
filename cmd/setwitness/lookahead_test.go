package main

import (
	"context"
	"errors"
	"io"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"setwitness/decode"
	"setwitness/decode/picture"
	"setwitness/report"
)

// indices reads a take to its end.
func indices(t *testing.T, from take) []int {
	t.Helper()
	var list []int
	for {
		p, err := from.Next(context.Background())
		if errors.Is(err, io.EOF) {
			return list
		}
		if err != nil {
			t.Fatal(err)
		}
		list = append(list, p.Index)
		p.Release()
	}
}

func TestLookahead(t *testing.T) {
	all := func(n int) []int {
		list := make([]int, n)
		for i := range list {
			list[i] = i
		}
		return list
	}
	for _, c := range []struct {
		name           string
		pictures, look int
		again          bool
		then           []int
	}{
		{"nothing is looked at", 20, 0, true, all(20)},
		{"a glance", 20, mostHeld, true, all(20)},
		{"a take shorter than a glance", 5, 6, true, all(5)},
		{"a long look", 20, mostHeld + 1, false, all(20)[mostHeld+1:]},
	} {
		t.Run(c.name, func(t *testing.T) {
			l := &lookahead{take: &fakeTake{n: c.pictures}, looking: true}
			defer l.Close()
			for i := range c.look {
				switch p, err := l.Next(context.Background()); {
				case i >= c.pictures:
					if !errors.Is(err, io.EOF) {
						t.Fatalf("picture %d of %d: error %v", i, c.pictures, err)
					}
				case err != nil || p.Index != i:
					t.Fatalf("picture %d: %v, error %v", i, p, err)
				}
			}
			if again := l.rewind(); again != c.again {
				t.Errorf("after %d pictures rewind says %v", c.look, again)
			}
			if got := indices(t, l); !slices.Equal(got, c.then) {
				t.Errorf("then come %v, want %v", got, c.then)
			}
		})
	}
}

// A take whose first pictures show nothing is scanned as a direct one, until
// something shows a screen: what was done so far is given up.
func TestDoubt(t *testing.T) {
	const w, h = 480, 270
	room := func(i int, screen bool) picture.Plane {
		p := picture.New(w, h, 8)
		for k := range p.Pix {
			p.Pix[k] = 17
		}
		if screen && i >= mostHeld {
			// A turned screen in a dark room; its picture changes.
			for y := 40; y < 230; y++ {
				for x := 70 + y/10; x < 400+y/12; x++ {
					p.Pix[y*w+x] = uint8(90 + (x*3+y*5+i*41)%120)
				}
			}
		}
		return p
	}
	for _, c := range []struct {
		screen bool
		view   string
		opened int
	}{{true, "screen", 3}, {false, "direct", 1}} {
		d := newDesk(t)
		opened := 0
		open := d.open
		d.take = &fakeTake{n: 130, show: func(i int) picture.Plane { return room(i, c.screen) }}
		d.open = func(path string, o decode.Options) (take, error) {
			opened++
			return open(path, o)
		}
		d.stamps = func(context.Context, string) ([]time.Duration, map[string]string, error) {
			times := make([]time.Duration, d.take.n)
			for i := range times {
				times[i] = time.Duration(i) * 20 * time.Millisecond
			}
			return times, nil, nil
		}
		clip := d.clip(t, "match.mp4")
		if code := run(d.factory, []string{"scan", clip}); code != exitDone {
			t.Fatalf("%s: exit code %d, stderr %q", c.view, code, d.err)
		}
		doc, err := report.Read(filepath.Join(clip+".setwitness", findingsName))
		if err != nil {
			t.Fatal(err)
		}
		if doc.View.Kind != c.view || opened != c.opened {
			t.Errorf("%s: taken as %s (%s), opened %d times, want %d", c.view, doc.View.Kind, doc.View.Why, opened, c.opened)
		}
	}
}
