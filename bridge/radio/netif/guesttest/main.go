// Command guesttest does what the scenarios of testdata/kernelnode need and the
// virtual machine has no program for: it records an interface, and sends and
// answers UDP. Only tests build it.
//
//	guesttest capture INTERFACE LINKTYPE FILE    until SIGTERM; pcap (LINKTYPE 230 or 101)
//	guesttest udp-echo PORT                      answers every datagram with itself
//	guesttest udp-ask ADDRESS PORT OCTETS...     sends such datagrams, wants each back
package main

import (
	"bytes"
	"crypto/rand"
	"encoding/binary"
	"errors"
	"fmt"
	"net"
	"os"
	"os/signal"
	"strconv"
	"syscall"
	"time"

	"golang.org/x/sys/unix"
)

func main() {
	if err := run(os.Args[1:]); err != nil {
		fmt.Fprintln(os.Stderr, "guesttest:", err)
		os.Exit(1)
	}
}

func run(args []string) error {
	switch {
	case len(args) == 4 && args[0] == "capture":
		link, err := strconv.ParseUint(args[2], 10, 32)
		if err != nil {
			return err
		}
		return capture(args[1], uint32(link), args[3])
	case len(args) == 2 && args[0] == "udp-echo":
		return echo(args[1])
	case len(args) > 3 && args[0] == "udp-ask":
		for _, n := range args[3:] {
			octets, err := strconv.Atoi(n)
			if err != nil {
				return err
			}
			if err := ask(net.JoinHostPort(args[1], args[2]), octets); err != nil {
				return fmt.Errorf("%d octets: %w", octets, err)
			}
		}
		return nil
	}
	return errors.New("see the comment at the top of its source")
}

const rawIPv6 = 101 // LINKTYPE_RAW (the registry of tcpdump.org)

// capture records every frame of an interface, sent ones too, or every IPv6 packet
// where the link type is LINKTYPE_RAW.
func capture(name string, link uint32, file string) error {
	dev, err := net.InterfaceByName(name)
	if err != nil {
		return err
	}
	kind, proto := unix.SOCK_RAW, uint16(unix.ETH_P_ALL)
	if link == rawIPv6 {
		kind = unix.SOCK_DGRAM // the packet without a link header
	}
	proto = proto<<8 | proto>>8
	fd, err := unix.Socket(unix.AF_PACKET, kind|unix.SOCK_CLOEXEC, int(proto))
	if err != nil {
		return err
	}
	if err := unix.SetsockoptInt(fd, unix.SOL_SOCKET, unix.SO_RCVBUFFORCE, 8<<20); err != nil {
		return err
	}
	if err := unix.Bind(fd, &unix.SockaddrLinklayer{Protocol: proto, Ifindex: dev.Index}); err != nil {
		return err
	}
	out, err := os.Create(file)
	if err != nil {
		return err
	}
	defer out.Close()
	head := binary.LittleEndian.AppendUint32(nil, 0xa1b2c3d4)
	head = binary.LittleEndian.AppendUint16(head, 2)
	head = binary.LittleEndian.AppendUint16(head, 4)
	head = append(head, make([]byte, 8)...)
	head = binary.LittleEndian.AppendUint32(head, 65535)
	if _, err := out.Write(binary.LittleEndian.AppendUint32(head, link)); err != nil {
		return err
	}
	ended := make(chan os.Signal, 1)
	signal.Notify(ended, syscall.SIGTERM, syscall.SIGINT)
	go func() { <-ended; out.Close(); os.Exit(0) }()
	buf := make([]byte, 65536)
	for {
		n, _, err := unix.Recvfrom(fd, buf, 0)
		if err == unix.EINTR || err == unix.ENETDOWN {
			continue
		}
		if err != nil {
			return err
		}
		if link == rawIPv6 && (n < 40 || buf[0]>>4 != 6) {
			continue
		}
		now := time.Now()
		rec := binary.LittleEndian.AppendUint32(nil, uint32(now.Unix()))
		rec = binary.LittleEndian.AppendUint32(rec, uint32(now.Nanosecond()/1000))
		rec = binary.LittleEndian.AppendUint32(rec, uint32(n))
		rec = binary.LittleEndian.AppendUint32(rec, uint32(n))
		if _, err := out.Write(append(rec, buf[:n]...)); err != nil {
			return err
		}
	}
}

// echo answers each datagram with itself, from the address to which it came.
func echo(port string) error {
	n, err := strconv.Atoi(port)
	if err != nil {
		return err
	}
	c, err := net.ListenUDP("udp6", &net.UDPAddr{Port: n})
	if err != nil {
		return err
	}
	raw, err := c.SyscallConn()
	if err != nil {
		return err
	}
	var set error
	if err := raw.Control(func(fd uintptr) {
		set = unix.SetsockoptInt(int(fd), unix.IPPROTO_IPV6, unix.IPV6_RECVPKTINFO, 1)
	}); err != nil || set != nil {
		return errors.Join(err, set)
	}
	buf, oob := make([]byte, 65536), make([]byte, 256)
	for {
		n, k, _, from, err := c.ReadMsgUDP(buf, oob)
		if err != nil {
			return err
		}
		// What it came with names the address to answer from.
		if _, _, err := c.WriteMsgUDP(buf[:n], oob[:k], from); err != nil {
			fmt.Fprintln(os.Stderr, "guesttest: answer:", err)
		}
	}
}

// ask sends a datagram of random octets and waits for it to come back; three times
// at most.
func ask(addr string, octets int) error {
	c, err := net.Dial("udp6", addr)
	if err != nil {
		return err
	}
	defer c.Close()
	want := make([]byte, octets)
	_, _ = rand.Read(want) // never fails
	buf := make([]byte, 65536)
	for range 3 {
		if _, err := c.Write(want); err != nil {
			return err
		}
		if err := c.SetReadDeadline(time.Now().Add(5 * time.Second)); err != nil {
			return err
		}
		n, err := c.Read(buf)
		switch {
		case errors.Is(err, os.ErrDeadlineExceeded):
			continue
		case err != nil:
			return err
		case !bytes.Equal(buf[:n], want):
			return fmt.Errorf("%d other octets came back", n)
		}
		return nil
	}
	return errors.New("no answer")
}
