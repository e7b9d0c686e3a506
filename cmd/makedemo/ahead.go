package main

import (
	"sync"

	"setwitness/decode/picture"
)

// ahead renders pictures on several cores a little before they are asked for.
// at may be asked for any picture from behind back pictures before the newest
// one asked for on; older ones are dropped.
type ahead struct {
	render func(i int) *picture.Picture
	n      int

	mu      sync.Mutex
	changed sync.Cond
	got     map[int]*picture.Picture
	next    int // to render
	wanted  int // newest asked for
	started bool
	stopped bool
}

const (
	lead = 8 // pictures rendered before they are asked for
	back = 6 // pictures kept after they were
)

func newAhead(render func(i int) *picture.Picture, n int) *ahead {
	a := &ahead{render: render, n: n, got: map[int]*picture.Picture{}}
	a.changed.L = &a.mu
	return a
}

// start begins to render on so many cores.
func (a *ahead) start(workers int) {
	a.started = true
	for range max(workers, 1) {
		go a.work()
	}
}

// stop ends the rendering; at must not be asked afterwards.
func (a *ahead) stop() {
	a.mu.Lock()
	a.stopped = true
	a.mu.Unlock()
	a.changed.Broadcast()
}

func (a *ahead) work() {
	a.mu.Lock()
	defer a.mu.Unlock()
	for {
		for !a.stopped && a.next < a.n && a.next > a.wanted+lead {
			a.changed.Wait()
		}
		if a.stopped || a.next >= a.n {
			return
		}
		i := a.next
		a.next++
		a.mu.Unlock()
		p := a.render(i)
		a.mu.Lock()
		a.got[i] = p
		a.changed.Broadcast()
	}
}

// at returns picture i once it is there; where nothing was started it renders
// it itself, in any order.
func (a *ahead) at(i int) *picture.Picture {
	if !a.started {
		return a.render(i)
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	if i > a.wanted {
		a.wanted = i
		for k := range a.got {
			if k < i-back {
				delete(a.got, k)
			}
		}
		a.changed.Broadcast()
	}
	for a.got[i] == nil {
		a.changed.Wait()
	}
	return a.got[i]
}
