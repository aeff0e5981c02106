#!/bin/bash
# Boots the VM, runs one scenario script as root in it, powers off.
#   ./run.sh [-o DIR] [-t SECONDS] [-a kvm|tcg] SCENARIO [FILE...]
# SCENARIO is a shell script run in the guest (busybox sh; /lib/lib.sh is sourced first).
# Each FILE is put in the guest as /root/NAME (executable bits kept).
# Whatever the scenario leaves in /out comes back in DIR (default out/NAME-OF-SCENARIO),
# with console.log. Exit status: the scenario's; 124 on timeout; 125 if the VM failed.
# The guest has no network. KVM is used if it works, else software emulation (TCG).
set -euo pipefail
HERE=$(cd "$(dirname "$0")" && pwd)
WORK=${CULVERT_RIG:-${XDG_CACHE_HOME:-$HOME/.cache}/culvert/kernelnode}
die() { echo "run.sh: $*" >&2; exit 125; }
OUT="" LIMIT=300 ACCEL=""
while getopts o:t:a: o; do case $o in o) OUT=$OPTARG;; t) LIMIT=$OPTARG;; a) ACCEL=$OPTARG;; *) die "bad option";; esac; done
shift $((OPTIND-1))
[ $# -ge 1 ] || die "usage: run.sh [-o DIR] [-t SECONDS] [-a kvm|tcg] SCENARIO [FILE...]"
SC=$1; shift; [ -r "$SC" ] || die "no scenario $SC"
"$HERE/build.sh" >&2 # nothing if it is built already
NAME=$(basename "$SC" .sh); OUT=${OUT:-$WORK/out/$NAME}; rm -rf "$OUT"; mkdir -p "$OUT"
T=$(mktemp -d); trap 'rm -rf "$T"' EXIT
mkdir -p "$T/o/root"; cp "$SC" "$T/o/scenario"
for f; do cp -p "$f" "$T/o/root/" || die "no file $f"; done
(cd "$T/o" && find . | cpio -o -H newc --quiet) > "$T/over.cpio"
cat "$WORK/out/base.cpio" "$T/over.cpio" > "$T/initrd"
truncate -s 64M "$T/disk"
vm() { # accel: runs qemu to its end
  timeout "$LIMIT" qemu-system-x86_64 -accel "$1" -cpu "$2" -M q35 -m 512 -smp 1 -nodefaults -display none -no-reboot \
    -kernel "$WORK/out/vmlinuz" -initrd "$T/initrd" \
    -append "console=ttyS0 quiet loglevel=4 panic=-1 random.trust_cpu=on net.ifnames=0 mitigations=off" \
    -serial "file:$OUT/console.log" -drive "file=$T/disk,if=none,format=raw,id=d" -device virtio-blk-pci,drive=d
}
kvm_works() { # /dev/kvm may exist and yet not run a guest: a guest that prints within 10 s is proof
  [ -w /dev/kvm ] || return 1
  : > "$T/probe"
  timeout 10 qemu-system-x86_64 -accel kvm -cpu host -M q35 -m 256 -nodefaults -display none -no-reboot \
    -kernel "$WORK/out/vmlinuz" -append "console=ttyS0 panic=-1" -serial "file:$T/probe" >/dev/null 2>&1 &
  local p=$! i; for i in $(seq 50); do grep -q 'Linux version' "$T/probe" && break; kill -0 $p 2>/dev/null || break; sleep 0.2; done
  { kill $p; wait $p; } 2>/dev/null || true
  grep -q 'Linux version' "$T/probe"
}
[ -n "$ACCEL" ] || { (kvm_works) 2>/dev/null && ACCEL=kvm || ACCEL=tcg; }
t0=$(date +%s.%N)
case $ACCEL in kvm) rc=0; vm kvm host || rc=$?;; *) rc=0; vm tcg max || rc=$?;; esac
t1=$(date +%s.%N)
[ $rc = 124 ] && { echo "run.sh: the VM did not finish in $LIMIT s; see $OUT/console.log" >&2; exit 124; }
tar -xf "$T/disk" -C "$OUT" 2>/dev/null || { tail -20 "$OUT/console.log" >&2; die "the guest gave nothing back (qemu status $rc); see $OUT/console.log"; }
rc=$(cat "$OUT/.rc" 2>/dev/null || echo 125)
echo "run.sh: $NAME status $rc, $(echo "$t1 $t0" | awk '{printf "%.1f", $1-$2}') s with $ACCEL, results in $OUT"
exit "$rc"
