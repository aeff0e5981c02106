# culvert on one simulated radio (namespace gw), the kernel's own 6LoWPAN on three
# others (a, b, c), and a host behind the gateway (h). a has its EUI-64 only; b and c
# have short addresses too. The nodes hear the gateway, and not each other.
# /root: culvert, netif.test, guesttest. Each check prints PASS or FAIL; the test
# that boots this counts them.
EUI=02:11:22:33:44:55:66
P=2001:db8:1
HOST=2001:db8:2::2
SIZES="8 64 256 512 1024 1232"
check() { local n=$1; shift; if "$@" >/tmp/check.txt 2>&1; then echo "PASS: $n"; else cat /tmp/check.txt; echo "FAIL: $n"; failed=1; fi; }
# until SECONDS COMMAND...: tries once a second
until_ok() { local i=$1; shift; while ! "$@" >/dev/null 2>&1; do i=$((i-1)); [ $i -gt 0 ] || { "$@"; return 1; }; sleep 1; done; }
has() { in_ns $1 /sbin/ip -6 $2 | grep -q "$3"; }
pings() { local ns=$1 to=$2 s; shift 2; for s in $SIZES; do in_ns $ns ping -6 -c 1 -W 10 -s $s "$@" $to || return 1; done; }
address() { in_ns $1 /sbin/ip -6 -o addr show dev lowpan0 scope global | grep -q "$2/64" && ! in_ns $1 /sbin/ip -6 -o addr show dev lowpan0 scope global | grep -q tentative; }
failed=0

# Radios: phy0 is the gateway's; edges lead to and from it only.
wpan-hwsim add; wpan-hwsim add
for e in "0 1" "1 0" "0 2" "2 0" "0 3" "3 0"; do wpan-hwsim edge add $e 2>/dev/null; done
node gw phy0 $EUI:02 0x0001
node a phy1 $EUI:0a
node b phy2 $EUI:0b 0x0011
node c phy3 $EUI:0c 0x0012

# The host, and the road to it.
ip netns add h; in_ns h /sbin/ip link set lo up
ip link add eth0 netns gw type veth peer name eth0 netns h
in_ns gw /sbin/ip addr add 2001:db8:2::1/64 dev eth0 nodad; in_ns gw /sbin/ip link set eth0 up
in_ns h /sbin/ip addr add $HOST/64 dev eth0 nodad; in_ns h /sbin/ip link set eth0 up
in_ns h /sbin/ip route add default via 2001:db8:2::1
in_ns gw sh -c 'echo 1 > /proc/sys/net/ipv6/conf/all/forwarding'

config() { # NAME LINES-FOR-THE-MESH: a configuration with a state folder of its own
  mkdir -p /root/$1
  cat > /root/$1/culvert.toml <<X
state_dir = "state"
control   = "control.sock"
[[mesh]]
name      = "rig"
interface = "mesh0"
prefix    = "$P::/64"
airtime_node = "none"
airtime_mesh = "none"
$2
[mesh.radio]
kind = "interface"
name = "wpan0"
[[rule]]
from    = "any"
to      = "rig/*"
service = "any"
[[rule]]
from    = "rig/*"
to      = "any"
service = "any"
X
}
start() { # NAME: culvert with that configuration
  in_ns gw /root/culvert run --config /root/$1/culvert.toml >> /out/culvert-$1.log 2>&1 &
  until_ok 30 in_ns gw /root/culvert nodes --config /root/$1/culvert.toml >/dev/null
}
# finish: what still runs ends, and is waited for. All namespaces share the process table.
finish() { sleep 1; kill $(pidof guesttest) $(pidof culvert) 2>/dev/null; while pidof guesttest culvert >/dev/null; do sleep 1; done; }
record() { in_ns $1 /root/guesttest capture $2 $3 /out/$4.pcap 2>/out/$4.err & }
nodes_up() { [ $(in_ns gw /root/culvert nodes --config /root/$1/culvert.toml | grep -c ' up ') = 3 ]; }

for n in gw a b c; do up $n; done
# The attachment by itself, before culvert has the interface.
lowpan a
check "netif on wpan0" in_ns gw sh -c 'cd /root && ./netif.test -test.v -test.run Guest'
in_ns a /sbin/ip link del lowpan0

# ---- 1. without contexts, which this kernel does not learn from advertisements
config plain "prefix_context = false"
start plain || fail "culvert does not start: $(cat /out/culvert-plain.log)"
record gw wpan0 230 plain-frames
record gw mesh0 101 plain-tun
for n in a b c; do lowpan $n; record $n lowpan0 101 plain-$n; done
for n in a b c; do
  check "$n: address from the advertisement" until_ok 30 address $n $P:0:11:2233:4455:660$n
  check "$n: default route" until_ok 30 has $n "route show default" "via fe80::11:2233:4455:6602 dev lowpan0"
done
for n in b c; do
  short=11; [ $n = c ] && short=12
  check "$n: address with the PAN" until_ok 30 address $n $P:0:bcef:ff:fe00:$short
done
check "culvert lists three nodes" until_ok 30 nodes_up plain
for n in a b c; do
  in_ns $n /root/guesttest udp-echo 7 & in_ns $n /root/guesttest udp-echo 61616 &
  check "host pings $n by EUI-64" pings h $P:0:11:2233:4455:660$n
  check "$n pings host" pings $n $HOST
  check "$n pings the gateway" pings $n $P::1
  check "$n pings the gateway, link-local" in_ns $n ping -6 -c 1 -W 10 -I lowpan0 fe80::11:2233:4455:6602
done
in_ns h /root/guesttest udp-echo 7 & sleep 1
for n in b c; do
  short=11; [ $n = c ] && short=12
  check "host pings $n by short address" pings h $P:0:bcef:ff:fe00:$short
  check "$n pings host from its EUI-64 address" pings $n $HOST -I $P:0:11:2233:4455:660$n
  check "host asks $n by UDP at its short address" in_ns h /root/guesttest udp-ask $P:0:bcef:ff:fe00:$short 7 0 1 8 100 1232
done
check "b prefers the address with the PAN" sh -c "/sbin/ip netns exec b /sbin/ip -6 route get $HOST | grep -q 'src $P:0:bcef:ff:fe00:11'"
for n in a b c; do
  check "host asks $n by UDP" in_ns h /root/guesttest udp-ask $P:0:11:2233:4455:660$n 7 0 1 8 100 500 1232
  check "host asks $n by UDP at a compressed port" in_ns h /root/guesttest udp-ask $P:0:11:2233:4455:660$n 61616 5 90 600
  check "$n asks host by UDP" in_ns $n /root/guesttest udp-ask $HOST 7 0 1 8 100 500 1232
done
check "a pings b" pings a $P:0:11:2233:4455:660b
check "b pings c" pings b $P:0:bcef:ff:fe00:12
check "a pings all nodes" sh -c "/sbin/ip netns exec a ping -6 -c 4 -W 5 -I lowpan0 ff02::1 | grep -q 'fe80::11:2233:4455:6602'"
check "a pings all routers" sh -c "/sbin/ip netns exec a ping -6 -c 1 -W 10 -I lowpan0 ff02::2 | grep -q 'fe80::11:2233:4455:6602'"

# An address that no link address gives: data ends, one probe makes it the node's.
in_ns a /sbin/ip addr add $P::a:b:c:d/64 dev lowpan0
check "a pings host from an address of its choice" until_ok 20 in_ns a ping -6 -c 1 -W 3 -I $P::a:b:c:d $HOST
check "host pings a there" pings h $P::a:b:c:d
in_ns gw /root/culvert nodes --json --config /root/plain/culvert.toml > /out/nodes.json
check "the chosen address is listed" grep -q "$P:0:a:b:c:d\|$P::a:b:c:d" /out/nodes.json

sleep 1; kill $(pidof guesttest) # the recordings end here, and the programs that answered

# Killed, and started again: reachable at once, before a node has said anything.
kill -9 $(pidof culvert)
start plain || fail "culvert does not start again: $(cat /out/culvert-plain.log)"
for n in a b c; do check "host pings $n at once after a kill" in_ns h ping -6 -c 1 -W 10 $P:0:11:2233:4455:660$n; done
check "host pings a at the chosen address after a kill" in_ns h ping -6 -c 1 -W 10 $P::a:b:c:d
finish

# ---- 2. with the mesh prefix as context 0 and the host's as context 1
# The kernel takes none from advertisements: the module of the rig sets them.
if [ -e /lib/lowpan_ctx.ko ]; then
  config contexts "[[mesh.context]]
id     = 1
prefix = \"2001:db8:2::/64\""
  start contexts || fail "culvert does not start: $(cat /out/culvert-contexts.log)"
    record gw wpan0 230 contexts-frames
  record gw mesh0 101 contexts-tun
  for n in a b c; do
    in_ns $n /sbin/ip link del lowpan0; lowpan $n
    context $n 0 $P:: 64; context $n 1 2001:db8:2:: 64
    record $n lowpan0 101 contexts-$n
  done
  for n in a b c; do
    check "contexts: $n: address from the advertisement" until_ok 30 address $n $P:0:11:2233:4455:660$n
  done
  in_ns h /root/guesttest udp-echo 7 &
  sleep 1
  for n in a b c; do
    in_ns $n /root/guesttest udp-echo 7 &
    check "contexts: $n pings host" pings $n $HOST
    check "contexts: host pings $n by EUI-64" pings h $P:0:11:2233:4455:660$n
    check "contexts: host asks $n by UDP" until_ok 5 in_ns h /root/guesttest udp-ask $P:0:11:2233:4455:660$n 7 0 1 8 100 500 1232
    check "contexts: $n asks host by UDP" in_ns $n /root/guesttest udp-ask $HOST 7 0 1 8 100 500 1232
  done
  check "contexts: host pings b by short address" pings h $P:0:bcef:ff:fe00:11
  check "contexts: host pings c by short address" pings h $P:0:bcef:ff:fe00:12
  check "contexts: a pings b" pings a $P:0:11:2233:4455:660b
  finish
else
  echo "FAIL: lowpan_ctx.ko was not built"; failed=1
fi
exit $failed
