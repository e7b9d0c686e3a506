package codec

import (
	"context"
	"fmt"
	"time"

	"setwitness/decode"
	"setwitness/decode/display"
)

// Displayed looks through a file that Write made and starts to rebuild the
// pictures that its screen showed; that it shows none is an error. done ends
// what was opened.
func Displayed(ctx context.Context, path string) (survey *display.Survey, source *display.Source, done func(), err error) {
	var takes []*decode.Take
	closeTakes := func() {
		for _, t := range takes {
			t.Close()
		}
	}
	defer func() {
		if err != nil {
			closeTakes()
		}
	}()
	for range 2 { // one to look at, one to rebuild from
		take, err := decode.Open(path, decode.Options{Threads: 1})
		if err != nil {
			return nil, nil, nil, err
		}
		takes = append(takes, take)
	}
	stamps := func(ctx context.Context) ([]time.Duration, map[string]string, error) { return decode.Stamps(ctx, path) }
	if survey, err = display.Examine(ctx, takes[0], stamps, display.Options{}); err != nil {
		return nil, nil, nil, err
	}
	if !survey.Screen {
		return nil, nil, nil, fmt.Errorf("no screen: %s", survey.Why)
	}
	if source, err = survey.Source(takes[1]); err != nil {
		return nil, nil, nil, err
	}
	return survey, source, func() { source.Close(); closeTakes() }, nil
}
