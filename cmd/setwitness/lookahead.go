package main

import (
	"context"
	"errors"
	"io"

	"setwitness/decode/display"
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
	// doubt is whether the take is direct, while that is open; why says what
	// it was settled by.
	doubt *display.Doubt
	why   string
}

// errScreen ends the scan of a direct take that is one of a screen.
var errScreen = errors.New("the take is of a screen")

func (l *lookahead) Next(ctx context.Context) (*picture.Picture, error) {
	p, err := l.next(ctx)
	switch {
	case err == nil && l.looking:
		if l.read++; l.read <= mostHeld {
			p.Retain()
			l.held = append(l.held, p)
		} else {
			l.drop()
		}
	case l.doubt != nil && (errors.Is(err, io.EOF) || err == nil && l.doubt.Add(p)):
		screen, why, failed := l.doubt.Screen()
		if l.doubt, l.why = nil, why; screen && failed == nil {
			if err == nil {
				p.Release()
			}
			return nil, errScreen
		}
	}
	return p, err
}

func (l *lookahead) next(ctx context.Context) (*picture.Picture, error) {
	if !l.looking && len(l.held) > 0 {
		p := l.held[0]
		l.held = l.held[1:]
		return p, nil
	}
	return l.take.Next(ctx)
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
