package nodeclient

import (
	"slices"
	"time"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/coap/msg"
)

// answeredLocked takes the response to the current message: it ends the exchange,
// or sends the message for the next block (RFC 7959). m aliases the read buffer.
func (u *queues) answeredLocked(p *peer, x *Exchange, m *message.Message, now time.Time) []*Exchange {
	if id, ok := checkResponseOptions(m.Options); !ok {
		return u.endLocked(p, x, msg.Errorf(codes.BadGateway, "the node's answer has option %d, which may not be passed on", id), now)
	}
	if v := msg.Uint(m.Options, message.Observe); x.observation != nil && x.purpose != deregisters && v >= 0 && m.Code>>5 == 2 {
		// RFC 7641, section 3.2. A registration begins the order of notifications anew.
		x.purpose = registered
		x.observation.order, x.observation.orderAt = uint32(v)&0xffffff, now
	}
	next := func() []*Exchange {
		if err := u.sendLocked(p, x, now); err != nil {
			return u.endLocked(p, x, msg.Errorf(codes.InternalServerError, "towards the node: %v", err), now)
		}
		return nil
	}
	switch {
	case m.Code == codes.BadOption && (x.mode == bodyInBlocks || x.asksForBlocks()) && x.download.Num == 0 && x.upload.Num == 0:
		// A node without blocks does not know the option: once without, in one piece.
		x.mode = withoutBlocks
		return next()
	case x.mode == bodyInBlocks && m.Code == codes.Continue:
		if !x.upload.More {
			return u.endLocked(p, x, msg.Errorf(codes.BadGateway, "the node waits for a block after the last one"), now)
		}
		u.nextUpload(x, m)
		return next()
	case x.mode == bodyInBlocks && m.Code == codes.RequestEntityTooLarge && x.upload.Num == 0:
		// RFC 7959, section 2.9.3: the node may name a size of blocks that it takes.
		if b, ok, _ := msg.BlockOption(m.Options, message.Block1, false); ok && b.SZX < x.upload.SZX {
			x.upload = msg.Block{SZX: b.SZX}
			return next()
		}
	}
	if x.mode == withoutBlocks && m.Code != codes.BadOption {
		p.noBlocks = true // it was the blocks, and not another option
	}
	b, blocks, ok := msg.BlockOption(m.Options, message.Block2, false)
	if !ok {
		return u.endLocked(p, x, msg.Errorf(codes.BadGateway, "the node's answer has block size exponent 7"), now)
	}
	if !blocks || m.Code>>5 != 2 {
		x.FromNode = true
		return u.endLocked(p, x, msg.Response{Code: m.Code, Options: msg.CloneOptions(m.Options), Payload: slices.Clone(m.Payload)}, now)
	}
	return u.blockLocked(p, x, m, b, now, next)
}

// nextUpload moves on to the block after the one that the node took; it may ask
// for smaller ones.
func (u *queues) nextUpload(x *Exchange, m *message.Message) {
	sent := x.upload.Offset() + x.upload.Size()
	if b, ok, _ := msg.BlockOption(m.Options, message.Block1, false); ok && b.SZX < x.upload.SZX {
		x.upload.SZX = b.SZX
	}
	x.upload.Num = uint32(sent / x.upload.Size())
}

// blockLocked adds one block of the answer to what is there.
func (u *queues) blockLocked(p *peer, x *Exchange, m *message.Message, b msg.Block, now time.Time, next func() []*Exchange) []*Exchange {
	fail := func(text string) []*Exchange {
		return u.endLocked(p, x, msg.Errorf(codes.BadGateway, "%s", text), now)
	}
	if b.Num == 0 {
		x.response = msg.Response{Code: m.Code, Options: msg.CloneOptions(m.Options)}
	}
	have, _ := msg.Option(x.response.Options, message.ETag)
	tag, _ := msg.Option(m.Options, message.ETag)
	switch {
	case string(have) != string(tag):
		// RFC 7959, section 2.4: these blocks are of two representations.
		if x.progress == restarted {
			return fail("the node's answer changes faster than it can be read")
		}
		x.progress = restarted
		x.download.Num = 0
		x.response = msg.Response{}
		return next()
	case b.Offset() != len(x.response.Payload):
		return fail("the node sent another block than was asked for")
	case b.More && len(m.Payload) != b.Size():
		return fail("a block of the node's answer is not full")
	case len(x.response.Payload)+len(m.Payload) > msg.MaxBody:
		return fail("the node's answer is too large")
	}
	x.response.Payload = append(x.response.Payload, m.Payload...)
	if !b.More {
		x.FromNode = true
		return u.endLocked(p, x, x.response, now)
	}
	x.TakeBlocks = true // also where the node chose to send blocks
	if x.mode == withoutBlocks {
		x.mode = bodyWhole
	}
	x.download = msg.Block{Num: b.Num + 1, SZX: b.SZX}
	return next()
}
