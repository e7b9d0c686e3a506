package main

import (
	"context"
	"errors"
	"io"
	"slices"
	"testing"
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
