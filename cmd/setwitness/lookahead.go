package main

import (
	"context"

	"setwitness/decode/picture"
)

// mostHeld pictures are held for the scan that follows a look at a take's
// beginning: those of a glance, by which most direct takes are known. The
// window of the stages is larger.
const mostHeld = 8

// A lookahead is a take that is looked at before it is scanned. Until rewind
// its pictures are held, as long as they are few.
type lookahead struct {
	take
	held    []*picture.Picture
	looking bool
	read    int
}

func (l *lookahead) Next(ctx context.Context) (*picture.Picture, error) {
	if !l.looking && len(l.held) > 0 {
		p := l.held[0]
		l.held = l.held[1:]
		return p, nil
	}
	p, err := l.take.Next(ctx)
	if err == nil && l.looking {
		if l.read++; l.read <= mostHeld {
			p.Retain()
			l.held = append(l.held, p)
		} else {
			l.drop()
		}
	}
	return p, err
}

// rewind ends the look and reports whether Next begins with the first picture
// again.
func (l *lookahead) rewind() bool {
	l.looking = false
	return l.read == len(l.held)
}

func (l *lookahead) drop() {
	for _, p := range l.held {
		p.Release()
	}
	l.held = nil
}

func (l *lookahead) Close() {
	l.drop()
	l.take.Close()
}
