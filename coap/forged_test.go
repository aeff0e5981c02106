package coap

import (
	"encoding/binary"
	"net"
	"testing"
	"time"

	piondtls "github.com/pion/dtls/v3"
	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/coap/client"
	"culvert/coap/msg"
)

// hello is a ClientHello of DTLS 1.2 without a cookie (RFC 6347, sections 4.1 and 4.2.2; RFC
// 5246, section 7.4.1.2), by hand.
func hello(random byte) []byte {
	body := append([]byte{0xfe, 0xfd}, make([]byte, 32)...)
	body[2] = random
	body = append(body, 0, 0, 0, 2, 0xc0, 0xa8, 1, 0) // no session, no cookie, one suite, no compression
	n := byte(len(body))
	handshake := append([]byte{1, 0, 0, n, 0, 0, 0, 0, 0, 0, 0, n}, body...)
	record := append([]byte{22, 0xfe, 0xfd}, make([]byte, 8)...)
	return append(binary.BigEndian.AppendUint16(record, uint16(len(handshake))), handshake...)
}

// A ClientHello that somebody forges with the address of an open session does not disturb it
// (RFC 6347, section 4.2.8).
func TestForgedHelloDisturbsNoSession(t *testing.T) {
	f, _ := guarded(t)
	conn, err := net.Dial("udp", f.Addrs(msg.DoorDTLS)[0].String())
	if err != nil {
		t.Fatal(err)
	}
	pc := conn.(*net.UDPConn)
	defer pc.Close()
	d, err := piondtls.ClientWithOptions(connected{pc}, pc.RemoteAddr(), client.PSK("operator", testKey("operator"))...)
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	if err := d.HandshakeContext(t.Context()); err != nil {
		t.Fatal(err)
	}
	buf := make([]byte, 4096)
	for i := range byte(30) {
		if _, err := pc.Write(hello(i)); err != nil {
			t.Fatal(err)
		}
		if _, err := d.Write(build(message.Confirmable, codes.GET, uint16(i)+1, "t", "nodes/grain-bin", "")); err != nil {
			t.Fatal(err)
		}
		if err := d.SetReadDeadline(time.Now().Add(4 * time.Second)); err != nil { // less than a handshake may last
			t.Fatal(err)
		}
		n, err := d.Read(buf)
		if err != nil {
			t.Fatalf("after %d forged hellos: %v", i+1, err)
		}
		if m := decode(t, buf[:n]); m.Code != codes.Content || m.MessageID != int32(i)+1 {
			t.Fatalf("after %d forged hellos: %v", i+1, &m)
		}
	}
}
