package decode

import (
	"context"
	"errors"
	"io"
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
	number  int64 // of its packet, in decoding order
	key     Key   // set where decoding can begin with it
	damaged bool

	users atomic.Int32
	pool  *framePool
}

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
	loaded  bool // the packet is still to be sent
	pool    *framePool
	clock   clock

	size, end int64 // bytes of the file, and where its last packet ends
	partial   bool  // the last packet arrived damaged

	track      track
	from       *Key // where decoding began after a seek
	wanted     []Wanted
	waiting    []*frame
	draining   bool // the decoder was told that no more comes
	done       bool // the decoder gives no more
	readErrors int  // in a row
	errorsLast int  // of the decoder, in a row

	damaged  int
	places   []Damage
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
// io.EOF. A frame waits until all that it may build on has left the decoder,
// so that it is known whether that was whole.
func (r *reader) next(ctx context.Context) (*frame, error) {
	for !r.done {
		if len(r.waiting) > maxInside || len(r.waiting) > 0 && !r.track.before(r.waiting[0].number) {
			break
		}
		if err := r.decode(ctx); err != nil {
			return nil, err
		}
	}
	if len(r.waiting) == 0 {
		return nil, io.EOF
	}
	f := r.waiting[0]
	r.waiting = r.waiting[:copy(r.waiting, r.waiting[1:])]
	f.damaged = r.track.suspect(f.number, f.flags.Key)
	return f, nil
}

// decode takes a frame from the decoder, or gives it a packet.
func (r *reader) decode(ctx context.Context) error {
	av := r.pool.take()
	err := r.decoder.ReceiveFrame(av)
	if err == nil {
		r.errorsLast = 0
		r.accept(av)
		return nil
	}
	r.pool.give(av)
	switch {
	case errors.Is(err, astiav.ErrEagain) && !r.draining:
		return r.feed(ctx)
	case errors.Is(err, astiav.ErrEagain), errors.Is(err, astiav.ErrEof):
		r.done = true
	default:
		r.undecoded(err)
		r.errorsLast++
		r.done = r.errorsLast > maxErrors
	}
	return nil
}

// accept gives a decoded frame its time, and drops it if it is not whole.
func (r *reader) accept(av *astiav.Frame) {
	f := &frame{av: av, flags: plane.Read(av.UnsafePointer()), pool: r.pool}
	f.users.Store(1)
	at, timed := f.flags.Time, f.flags.HasTime
	p := r.track.take(at, timed)
	f.number = p.number
	// A decoder makes something even of half a packet.
	if f.flags.Broken || p.partial {
		if !p.counted {
			when := r.clock.last + r.clock.shown
			if timed {
				when = r.clock.peek(at)
			}
			r.damage(when, "a frame decoded with errors")
		}
		r.track.lose(p.number, p.number)
		f.drop()
		return
	}
	f.time = r.clock.at(at, timed, r.shown(f))
	if f.key = p.key; !f.flags.Key || !timed || f.key.pts != at {
		f.key = Key{}
	}
	f.key.time = f.time
	r.waiting = append(r.waiting, f)
}

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
		var err error
		if !r.loaded {
			err = r.input.ReadFrame(r.packet)
		}
		r.loaded = false
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
		if r.packet.StreamIndex() != r.stream.Index() || r.leads() {
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
	if r.partial {
		r.cut("it ends in the middle of a packet")
	}
}

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
	timed := at != astiav.NoPtsValue
	r.partial = p.Flags().Has(astiav.PacketFlagCorrupt)
	r.track.send(at, timed, r.partial, keyOf(p))
	if r.partial {
		r.damage(r.when(at, timed), "a packet arrived damaged")
	}
	if len(r.wanted) > 0 {
		plane.SkipUnreferenced(r.native(), timed && !r.needed(r.clock.peek(at)))
	}
	if err := r.decoder.SendPacket(p); err != nil {
		r.undecoded(err)
	}
	return nil
}

// when returns the presentation time of a packet.
func (r *reader) when(at int64, timed bool) time.Duration {
	if timed {
		return r.clock.peek(at)
	}
	return r.clock.last
}

// undecoded accounts for an error of the decoder. Threads report it when
// their turn comes to give a frame, so that it belongs to one of the last
// packets; it is counted with the oldest of them.
func (r *reader) undecoded(err error) {
	from := max(1, r.track.sent-int64(r.threads-1))
	r.track.lose(from, r.track.sent)
	p := r.track.number(from)
	if p == nil {
		r.damage(r.clock.last, undecoded(err))
		return
	}
	if !p.counted {
		p.counted = true
		r.damage(r.when(p.at, p.timed), undecoded(err))
	}
}

func undecoded(err error) string {
	return "a packet did not decode: " + strings.ToLower(err.Error())
}

func (r *reader) dropWaiting() {
	for _, f := range r.waiting {
		f.drop()
	}
	r.waiting = r.waiting[:0]
}

func (r *reader) close() {
	r.dropWaiting()
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
