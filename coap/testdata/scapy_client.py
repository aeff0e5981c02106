#!/usr/bin/python3
"""Carries CoAP messages for a test: scapy's CoAP layer (Debian's python3-scapy) makes
the octets and reads them, so neither is done by the code under test.

Arguments: address and port. Each line of standard input is a JSON object:
  {"send": {"type", "code", "mid", "token", "options": [[number, value]], "payload"}}
  {"receive": SECONDS}   answered by one line: a message, or null when none came
Tokens, values and payloads are in hexadecimal. The first line of output is scapy's
version.
"""
import json
import socket
import sys

import scapy
from scapy.compat import raw
from scapy.contrib.coap import CoAP, coap_options

NUMBERS = coap_options[1]


def build(m):
    # scapy 2.5.0 writes the extended form of two octets (a delta or a length from 269 on)
    # in the order of the machine: the table keeps below it.
    payload = bytes.fromhex(m["payload"])
    p = CoAP(type=m["type"], code=m["code"], msg_id=m["mid"], token=bytes.fromhex(m["token"]),
             options=[(n, bytes.fromhex(v)) for n, v in m["options"]])
    if payload:
        p.paymark = b"\xff"
    return raw(p) + payload


def parse(b):
    # scapy 2.5.0 looks for an option where none is, and stumbles over an empty one at
    # the end: it is given a payload in that case.
    head = 4 + (b[0] & 15)
    if len(b) == head or b[head] == 0xff:
        p, payload = CoAP(b[:head]), b[head + 1:]
        options = []
    else:
        try:
            p = CoAP(b)
            payload = bytes(p.payload)
        except TypeError:
            p, payload = CoAP(b + b"\xff\x00"), b""
        options = [(NUMBERS.get(n, n), v.hex()) for n, v in p.options]
    return {"type": p.type, "code": p.code, "mid": p.msg_id, "token": b[4:head].hex(),
            "options": options, "payload": payload.hex()}


def main():
    s = socket.socket(socket.AF_INET6, socket.SOCK_DGRAM)
    s.connect((sys.argv[1], int(sys.argv[2])))
    print(json.dumps(scapy.VERSION), flush=True)
    for line in sys.stdin:
        do = json.loads(line)
        if "send" in do:
            s.send(build(do["send"]))
            continue
        s.settimeout(do["receive"])
        try:
            answer = parse(s.recv(65536))
        except socket.timeout:
            answer = None
        print(json.dumps(answer), flush=True)


main()
