package decode

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"reflect"
	"slices"
	"time"
	"unsafe"

	"github.com/asticode/go-astiav"
)

// Key is a frame that is coded without reference to others, so that decoding
// can begin with it.
type Key struct {
	time     time.Duration
	pts, dts int64 // of its packet, in the stream's time base
	known    bool
}

// keyOf returns the stamps of a packet that decoding can begin with.
func keyOf(p *astiav.Packet) Key {
	if !p.Flags().Has(astiav.PacketFlagKey) || p.Pts() == astiav.NoPtsValue {
		return Key{}
	}
	k := Key{pts: p.Pts(), dts: p.Dts(), known: true}
	if k.dts == astiav.NoPtsValue {
		k.dts = k.pts
	}
	return k
}

// seekWorth is how many frames a seek has to save: the new decoder fills its
// threads and its queue of reordered frames again, and has frames inside that
// nobody wants when it is left.
const seekWorth = 8

// mark notes where decoding can begin anew. Of keys that lie closer together
// than a seek is worth one is enough.
func (t *Take) mark(f *frame) {
	if f.key.known && !f.damaged && (len(t.keys) == 0 || t.frames-t.lastKey >= seekWorth) {
		t.keys, t.lastKey = append(t.keys, f.key), t.frames
	}
}

// keyFor returns the last of keys at or before a time, or nil.
func keyFor(keys []Key, at time.Duration) *Key {
	i, found := slices.BinarySearchFunc(keys, at, func(k Key, at time.Duration) int { return cmp.Compare(k.time, at) })
	if !found {
		i--
	}
	if i < 0 {
		return nil
	}
	return &keys[i]
}

// From goes on at the last of keys before a time, which the first pass's Summary
// gave, or from where the take stands where there is none. The pictures count on
// from those before.
func (t *Take) From(ctx context.Context, keys []Key, at time.Duration) error {
	k := keyFor(keys, at)
	if k == nil || k.time <= 0 {
		return nil
	}
	return t.seek(ctx, k)
}

// How far before a key frame a seek aims, in turn: containers without an index
// are searched by stamps that may lie on either side of the frame's own.
var seekMargins = []time.Duration{0, 2 * time.Second, 10 * time.Second}

// seek moves the take to a key frame. The next picture is that frame's.
func (t *Take) seek(ctx context.Context, k *Key) error {
	for _, p := range t.pending {
		p.Release()
	}
	t.pending = t.pending[:0]
	for _, f := range t.first {
		f.drop()
	}
	t.first = nil
	if t.split != nil {
		t.split.close()
	}
	t.err, t.previous = nil, nil
	for _, margin := range seekMargins {
		err := t.reader.seek(ctx, k, margin)
		if !errors.Is(err, errNotFound) {
			return err
		}
	}
	return errNotFound
}

// seek finds the packet of a key frame, from a margin before it on, and begins
// to decode there.
func (r *reader) seek(ctx context.Context, k *Key, margin time.Duration) error {
	r.packet.Unref()
	r.loaded = false
	to := k.dts - int64(margin.Seconds()*float64(r.clock.den)/float64(r.clock.num))
	if err := r.input.SeekFrame(r.stream.Index(), to, astiav.NewSeekFlags(astiav.SeekFlagBackward)); err != nil {
		return errNotFound
	}
	for {
		if err := ctx.Err(); err != nil {
			return err
		}
		if err := r.input.ReadFrame(r.packet); err != nil {
			return errNotFound
		}
		if r.packet.StreamIndex() == r.stream.Index() {
			if q := keyOf(r.packet); q.known && q.pts >= k.pts {
				if q.pts > k.pts {
					return errNotFound
				}
				break
			}
		}
		r.packet.Unref()
	}
	r.loaded, r.from = true, k
	// The binding cannot flush a decoder; a new one costs a few ms.
	r.decoder.Free()
	r.decoder = nil
	r.dropWaiting()
	r.draining, r.done, r.partial, r.readErrors, r.errorsLast = false, false, false, 0, 0
	r.track = track{}
	r.clock.forget()
	if err := r.openDecoder(); err != nil {
		return fmt.Errorf("seeking to %.3f s: %w", k.time.Seconds(), err)
	}
	return nil
}

// besides is how many frames before and after a wanted picture are decoded in
// any case: the times of two fields depend on the frame that follows them.
const besides = 2

// needed reports whether a frame is at a wanted picture, or beside it.
func (r *reader) needed(at time.Duration) bool {
	slack := besides * r.clock.period
	i, _ := slices.BinarySearchFunc(r.wanted, at-slack, func(w Wanted, at time.Duration) int { return cmp.Compare(w.Time, at) })
	return slack == 0 || i < len(r.wanted) && r.wanted[i].Time <= at+slack
}

// native is libav's decoder, which the binding does not show.
func (r *reader) native() unsafe.Pointer {
	return reflect.ValueOf(r.decoder).Elem().FieldByName("c").UnsafePointer()
}

// leads reports whether the packet follows the key frame where decoding began
// and is shown before it: it may build on what came before, and nothing that
// is shown later builds on it (Rec. ITU-T H.264 D.2.8, H.265
// 7.4.2.2; from memory).
func (r *reader) leads() bool {
	at := r.packet.Pts()
	return r.from != nil && at != astiav.NoPtsValue && at < r.from.pts
}
