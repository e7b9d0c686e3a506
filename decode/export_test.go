package decode

import "context"

// FetchByTime is Fetch without the way out of counting from the start.
var FetchByTime = fetchByTime

// Decoded returns how many frames the decoder gives on the way to a wanted
// picture, that one included.
func Decoded(path string, o Options, w Wanted) (int, error) {
	t, err := Open(path, o)
	if err != nil {
		return 0, err
	}
	defer t.Close()
	t.reader.wanted = []Wanted{w}
	p, err := t.find(context.Background(), o.Keys, w.Time, 0)
	if err != nil {
		return 0, err
	}
	p.Release()
	return t.frames, nil
}
