package decode

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/asticode/go-astiav"

	"setwitness/decode/plane"
)

// frame is one decoded frame with what the reader knows about it. It is
// counted: sheets that share its memory hold references.
type frame struct {
	av      *astiav.Frame
	flags   plane.Flags
	time    time.Duration
	damaged bool

	users atomic.Int32
	pool  *framePool
}

func (f *frame) hold() { f.users.Add(1) }

func (f *frame) drop() {
	if f.users.Add(-1) == 0 {
		f.pool.give(f.av)
		f.av = nil
	}
}

// framePool keeps empty frames for use again. It may be given frames after
// it was closed: those are freed.
type framePool struct {
	mu     sync.Mutex
	free   []*astiav.Frame
	closed bool
}

// A stage keeps some tens of pictures at most; more empty frames than that
// are not worth keeping.
const maxFree = 64

func (p *framePool) take() *astiav.Frame {
	p.mu.Lock()
	defer p.mu.Unlock()
	if n := len(p.free); n > 0 {
		f := p.free[n-1]
		p.free = p.free[:n-1]
		return f
	}
	return astiav.AllocFrame()
}

func (p *framePool) give(f *astiav.Frame) {
	f.Unref()
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.closed || len(p.free) >= maxFree {
		f.Free()
		return
	}
	p.free = append(p.free, f)
}

func (p *framePool) close() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.closed = true
	for _, f := range p.free {
		f.Free()
	}
	p.free = nil
}

// reader yields the decoded frames of a file's video stream in presentation
// order and keeps account of what it could not decode.
type reader struct {
	path    string
	threads int
	input   *astiav.FormatContext
	stream  *astiav.Stream
	codec   *astiav.Codec
	decoder *astiav.CodecContext
	packet  *astiav.Packet
	pool    *framePool
	clock   clock

	size, end   int64 // bytes of the file, and where its last packet ends
	lastPartial bool  // the last packet arrived damaged

	draining   bool
	readErrors int     // in a row
	errorsLast int     // of the decoder, in a row
	recent     []int64 // timestamps of the packets that errors may belong to

	damaged  int
	places   []Damage
	lost     []int64 // times of damage that frames to come may suffer from
	known    []int64 // times of packets already counted as damaged
	partial  []int64 // times of packets that arrived damaged
	tainted  bool
	cutShort bool
	cutWhy   string
	warned   []string
}

// The reader gives up on a file after this many errors in a row: a demuxer
// that cannot move on would never end.
const maxErrors = 1000

func (r *reader) warn(s string) { r.warned = append(r.warned, s) }

func (r *reader) damage(at time.Duration, why string) {
	r.damaged++
	if len(r.places) < maxPlaces {
		r.places = append(r.places, Damage{Time: max(at, 0), Reason: why})
	}
}

func (r *reader) cut(why string) {
	if !r.cutShort {
		r.cutShort, r.cutWhy = true, why
	}
}

// next returns the next frame, of which the caller owns one reference, or
// io.EOF.
func (r *reader) next(ctx context.Context) (*frame, error) {
	for {
		av := r.pool.take()
		err := r.decoder.ReceiveFrame(av)
		switch {
		case err == nil:
			r.errorsLast = 0
			if f := r.accept(av); f != nil {
				return f, nil
			}
			continue
		case errors.Is(err, astiav.ErrEof):
			r.pool.give(av)
			return nil, io.EOF
		case errors.Is(err, astiav.ErrEagain):
			r.pool.give(av)
			if r.draining {
				return nil, io.EOF
			}
			if err := r.feed(ctx); err != nil {
				return nil, err
			}
		default:
			r.pool.give(av)
			r.undecoded(err)
			if r.errorsLast++; r.errorsLast > maxErrors {
				return nil, io.EOF
			}
		}
	}
}

// accept gives a decoded frame its time, and drops it if it is not whole.
func (r *reader) accept(av *astiav.Frame) *frame {
	f := &frame{av: av, flags: plane.Read(av.UnsafePointer()), pool: r.pool}
	f.users.Store(1)
	at, timed := f.flags.Time, f.flags.HasTime
	if f.flags.Key {
		r.tainted = false
	}
	r.lost = slices.DeleteFunc(r.lost, func(t int64) bool {
		due := !timed || t <= at
		if due && !(f.flags.Key && t < at) {
			r.tainted = true
		}
		return due
	})
	// A decoder makes something even of half a packet.
	if f.flags.Broken || timed && slices.Contains(r.partial, at) {
		switch {
		case !timed:
			r.damage(r.clock.last+r.clock.shown, brokenFrame)
		case !slices.Contains(r.known, at):
			r.damage(r.clock.peek(at), brokenFrame)
		}
		r.tainted = true
		f.drop()
		return nil
	}
	f.time = r.clock.at(at, timed, r.shown(f))
	f.damaged = r.tainted
	return f
}

const brokenFrame = "a frame decoded with errors"

// shown returns how long a frame is nominally shown.
func (r *reader) shown(f *frame) time.Duration {
	return r.clock.period * time.Duration(2+f.flags.Repeat) / 2
}

// feed gives the decoder the next packet of the stream, or the end.
func (r *reader) feed(ctx context.Context) error {
	for {
		if err := ctx.Err(); err != nil {
			return err
		}
		err := r.input.ReadFrame(r.packet)
		if errors.Is(err, astiav.ErrEagain) {
			continue
		}
		if err != nil {
			if !errors.Is(err, astiav.ErrEof) {
				if r.readErrors++; r.readErrors < maxErrors && !errors.Is(err, astiav.ErrEio) {
					r.damage(r.clock.last, "the container is damaged")
					continue
				}
				r.cut("reading stopped: " + err.Error())
			}
			r.ended()
			r.draining = true
			return r.send(nil)
		}
		r.readErrors = 0
		r.end = max(r.end, r.packet.Pos()+int64(r.packet.Size()))
		if r.packet.StreamIndex() != r.stream.Index() {
			r.packet.Unref()
			continue
		}
		err = r.send(r.packet)
		r.packet.Unref()
		return err
	}
}

// ended looks whether the file ended where its last packet did.
func (r *reader) ended() {
	switch r.container() {
	case "yuv4mpegpipe", "dv":
		// Nothing but frames: what is left is a piece of one.
		if r.end > 0 && r.end < r.size {
			r.cut("it ends in the middle of a frame")
		}
	}
	if r.lastPartial {
		r.cut("it ends in the middle of a packet")
	}
}

// How many packets back the decoder's errors can lie: frame threads report
// an error when their turn comes to give a frame.
func (r *reader) delay() int { return r.threads - 1 }

func (r *reader) send(p *astiav.Packet) error {
	if p == nil {
		if err := r.decoder.SendPacket(nil); err != nil && !errors.Is(err, astiav.ErrEof) {
			r.undecoded(err)
		}
		return nil
	}
	at := p.Pts()
	if at == astiav.NoPtsValue {
		at = p.Dts()
	}
	r.recent = append(r.recent, at)
	if n := len(r.recent) - 1 - r.delay(); n > 0 {
		r.recent = r.recent[:copy(r.recent, r.recent[n:])]
	}
	r.lastPartial = p.Flags().Has(astiav.PacketFlagCorrupt)
	if r.lastPartial {
		r.packetLost(at, "a packet arrived damaged")
		r.partial = remember(r.partial, at)
	}
	if err := r.decoder.SendPacket(p); err != nil {
		r.undecoded(err)
	}
	return nil
}

// undecoded accounts for an error of the decoder.
func (r *reader) undecoded(err error) {
	at := int64(astiav.NoPtsValue)
	if len(r.recent) > 0 {
		at = r.recent[0]
	}
	r.packetLost(at, "a packet did not decode: "+strings.ToLower(err.Error()))
}

func (r *reader) packetLost(at int64, why string) {
	if at == astiav.NoPtsValue {
		r.tainted = true
		r.damage(r.clock.last, why)
		return
	}
	if slices.Contains(r.known, at) {
		return
	}
	r.known = remember(r.known, at)
	r.lost = append(r.lost, at)
	r.damage(r.clock.peek(at), why)
}

// The frames of this many packets are still to come from the decoder at
// most: 16 references (Rec. ITU-T H.264, A.3.1) and a frame for each thread.
const maxInside = 16 + maxThreads

// remember appends to a list of the last timestamps.
func remember(list []int64, at int64) []int64 {
	list = append(list, at)
	if n := len(list) - maxInside; n > 0 {
		list = list[:copy(list, list[n:])]
	}
	return list
}

// seek moves to a key frame at or before time t, as the clock counts it.
func (r *reader) seek(t time.Duration) error {
	ts := r.clock.ticks(t)
	if err := r.input.SeekFrame(r.stream.Index(), ts, astiav.NewSeekFlags(astiav.SeekFlagBackward)); err != nil {
		return fmt.Errorf("seeking to %.3f s: %w", t.Seconds(), err)
	}
	// The binding cannot flush a decoder; a new one costs a few ms.
	r.decoder.Free()
	r.decoder = nil
	r.draining, r.readErrors, r.errorsLast = false, 0, 0
	r.recent, r.lost, r.known, r.partial, r.tainted = nil, nil, nil, nil, false
	r.clock.forget()
	return r.openDecoder()
}

func (r *reader) close() {
	if r.packet != nil {
		r.packet.Free()
		r.packet = nil
	}
	if r.decoder != nil {
		r.decoder.Free()
		r.decoder = nil
	}
	if r.input != nil {
		r.input.CloseInput()
		r.input = nil
	}
	if r.pool != nil {
		r.pool.close()
	}
}
