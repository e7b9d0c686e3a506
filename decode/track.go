package decode

// track follows packets through the decoder, to tell which frames build on
// data that was lost. Frames come out in presentation order; what a frame
// builds on precedes it in decoding order, and may be shown after it.
type track struct {
	inside []inside // packets whose frames may still come, in decoding order
	sent   int64    // packets so far; the number of the last
	losses []loss
}

// inside is a packet in the decoder.
type inside struct {
	number  int64
	at      int64 // its timestamp
	timed   bool
	key     Key  // its stamps, where it is coded without reference to others
	partial bool // it arrived damaged
	counted bool // it is among the damaged already
}

// loss is damage to one packet, of which it is known only that it lies among
// these.
type loss struct{ from, to int64 }

// The frames of no more packets than this are inside a decoder: 16 that wait
// for their turn (Rec. ITU-T H.264, A.3.1) and one for each thread.
const maxInside = 16 + maxThreads

// maxLosses bounds the damage that waits for a key frame.
const maxLosses = 64

// send enters a packet. key is empty unless decoding can begin with it.
func (k *track) send(at int64, timed, partial bool, key Key) {
	k.sent++
	if len(k.inside) == maxInside {
		k.inside = k.inside[:copy(k.inside, k.inside[1:])]
	}
	k.inside = append(k.inside, inside{number: k.sent, at: at, timed: timed, partial: partial, counted: partial, key: key})
	if partial {
		k.lose(k.sent, k.sent)
	}
}

// take removes the packet of a frame that came out, and those whose turn has
// passed: packets that gave no frame.
func (k *track) take(at int64, timed bool) inside {
	found := inside{number: k.sent, at: at, timed: timed}
	hit := false
	rest := k.inside[:0]
	for _, p := range k.inside {
		switch {
		case timed && p.timed && p.at == at && !hit:
			found, hit = p, true
		case timed && p.timed && p.at < at:
		default:
			rest = append(rest, p)
		}
	}
	k.inside = rest
	if !hit && !timed && len(k.inside) > 0 {
		// Without times frames come out in the order of their packets.
		found = k.inside[0]
		k.inside = k.inside[:copy(k.inside, k.inside[1:])]
	}
	return found
}

// before reports whether a packet from before packet n is still inside.
func (k *track) before(n int64) bool {
	return len(k.inside) > 0 && k.inside[0].number < n
}

// number returns packet n if it is still inside.
func (k *track) number(n int64) *inside {
	for i := range k.inside {
		if k.inside[i].number == n {
			return &k.inside[i]
		}
	}
	return nil
}

// lose notes damage among packets from and to.
func (k *track) lose(from, to int64) {
	if n := len(k.losses); n == maxLosses {
		k.losses[n-1].to = to
		return
	}
	k.losses = append(k.losses, loss{from, to})
}

// suspect reports whether the frame of packet n may build on lost data. It is
// asked in presentation order; a key frame clears what was lost before it.
func (k *track) suspect(n int64, key bool) bool {
	if key {
		rest := k.losses[:0]
		for _, l := range k.losses {
			if l.to >= n {
				rest = append(rest, l)
			}
		}
		k.losses = rest
	}
	for _, l := range k.losses {
		if l.from <= n {
			return true
		}
	}
	return false
}
