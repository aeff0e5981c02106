#!/bin/bash
# Builds out/vmlinuz and out/base.cpio: Debian's kernel with its IEEE 802.15.4 and
# 6LoWPAN modules, busybox, ip, iwpan, wpan-hwsim, and guest/init. Everything comes
# from Debian packages, without root; .ci/tools installs the programs that this needs.
#   ./build.sh            build what is missing or was built from other sources
#   ./build.sh clean      start over
# What it makes is kept outside the checkout, so that the next clone finds it:
# $CULVERT_RIG, else ~/.cache/culvert/kernelnode.
set -euo pipefail
HERE=$(cd "$(dirname "$0")" && pwd)
WORK=${CULVERT_RIG:-${XDG_CACHE_HOME:-$HOME/.cache}/culvert/kernelnode}
mkdir -p "$WORK"; cd "$WORK"
exec 9>lock; flock 9
die() { echo "build.sh: $*" >&2; exit 1; }
[ "${1:-}" = clean ] && { rm -rf cache out; exit 0; }
SOURCES=$(cd "$HERE" && cat build.sh kmod/* guest/* | sha256sum) # what out/ is built from
[ -s out/base.cpio ] && [ "$(cat out/sources 2>/dev/null)" = "$SOURCES" ] && exit 0
rm -f out/sources

# ---- 1. packages -----------------------------------------------------------
fetch() { # package -> cache/NAME.deb (once)
  [ -s "cache/$1.deb" ] && return
  rm -rf cache/t; mkdir -p cache/t
  "$HERE/../../.ci/try" "the Debian package $1" "apt's sources" 'check the network and /etc/apt, then run make fetch again' \
    sh -c 'cd cache/t && apt-get -q download "$1" || { apt-get -q update; apt-get -q download "$1"; }' sh "$1" || exit 1
  mv cache/t/*.deb "cache/$1.deb"
}
unpack() { # package... -> cache/x/NAME
  local p; for p; do fetch "$p"; [ -d "cache/x/$p" ] || { mkdir -p "cache/x/$p.t"; dpkg -x "cache/$p.deb" "cache/x/$p.t"; mv "cache/x/$p.t" "cache/x/$p"; }; done
}

mkdir -p cache/x out
newest() { apt-cache show linux-image-amd64 2>/dev/null | sed -n 's/^Depends: linux-image-\([^ ]*\).*/\1/p' | head -1; }
KVER=$(cat cache/kver 2>/dev/null || true)
if [ -z "$KVER" ] || [ ! -s "cache/linux-image-$KVER.deb" ]; then # mirrors drop a version that has a successor
  KVER=$(newest)
  [ -n "$KVER" ] || { apt-get update -q >/dev/null || true; KVER=$(newest); }
  [ -n "$KVER" ] || die "apt's lists have no linux-image-amd64: check the network and /etc/apt, then run make fetch again"
  echo "$KVER" > cache/kver
  rm -f out/lowpan_ctx.ko # built for another version
fi
unpack "linux-image-$KVER" busybox-static wpan-tools libnl-3-200 libnl-genl-3-200
KROOT=cache/x/linux-image-$KVER
[ -d "$KROOT/usr/lib/modules" ] && MODROOT=$KROOT/usr || MODROOT=$KROOT
grep -q '^CONFIG_IEEE802154_HWSIM=m' "$KROOT/boot/config-$KVER" || die "$KVER has no mac802154_hwsim"

# ---- 2. the context-setting module (see kmod/lowpan_ctx.c) -------------------
# Debian builds 6lowpan without CONFIG_6LOWPAN_DEBUGFS, so this is the only way to
# set a compression context in this kernel.
build_kmod() {
  [ -s out/lowpan_ctx.ko ] && [ out/lowpan_ctx.ko -nt "$HERE/kmod/lowpan_ctx.c" ] && return
  local common=linux-headers-${KVER%-amd64}-common flav=linux-headers-$KVER kb=linux-kbuild-$(echo "$KVER" | cut -d. -f1,2)
  unpack "$common" "$flav" "$kb"
  local r="$PWD/cache/x"
  rm -rf cache/hdr && mkdir -p cache/hdr/usr/src cache/hdr/usr/lib
  cp -a "$r/$common/usr/src/." "$r/$flav/usr/src/." cache/hdr/usr/src/
  cp -a "$r/$kb/usr/lib/." cache/hdr/usr/lib/
  local h="$PWD/cache/hdr/usr/src/$flav"
  grep -rlI '/usr/src/' "$h" --include=Makefile --include='*.mk' --include='.kernelvariables' 2>/dev/null |
    xargs -r sed -i "s#[^ ]*/usr/src/#$PWD/cache/hdr/usr/src/#g"
  rm -rf cache/kmod && cp -a "$HERE/kmod" cache/kmod
  make -s -C "$h" M="$PWD/cache/kmod" modules >cache/kmod.log 2>&1 || { tail -20 cache/kmod.log >&2; die "lowpan_ctx.ko was not built; all of the log: $PWD/cache/kmod.log"; }
  cp cache/kmod/lowpan_ctx.ko out/
}
build_kmod

# ---- 3. the root file system -----------------------------------------------
R=cache/root; rm -rf $R; mkdir -p $R/{bin,sbin,lib,lib64,proc,sys,dev,run,tmp,etc,root,out,usr/bin,usr/sbin,var}; ln -s ../run $R/var/run
cp cache/x/busybox-static/bin/busybox $R/bin/
ln -s busybox $R/bin/sh
cp cache/x/wpan-tools/usr/bin/{iwpan,wpan-hwsim} $R/usr/bin/
cp "$(command -v ip)" $R/sbin/ip
copylib() { # binary: its shared libraries, the libnl ones from the cache
  LD_LIBRARY_PATH="$PWD/cache/x/libnl-3-200/lib/x86_64-linux-gnu:$PWD/cache/x/libnl-genl-3-200/lib/x86_64-linux-gnu:$PWD/cache/x/libnl-3-200/usr/lib/x86_64-linux-gnu:$PWD/cache/x/libnl-genl-3-200/usr/lib/x86_64-linux-gnu" ldd "$1" |
    grep -o '/[^ ]*' | while read -r l; do
      case $l in */ld-linux*) cp -Ln "$l" $R/lib64/;; *) cp -Ln "$l" $R/lib/;; esac; done
}
copylib $R/usr/bin/iwpan; copylib $R/usr/bin/wpan-hwsim; copylib $R/sbin/ip

depmod -b "$MODROOT" "$KVER"
MODS="ieee802154 mac802154 mac802154_hwsim ieee802154_socket 6lowpan ieee802154_6lowpan nhc_dest nhc_fragment
 nhc_hop nhc_ipv6 nhc_mobility nhc_routing nhc_udp tun veth virtio_pci virtio_blk"
for m in $MODS; do
  modprobe -d "$MODROOT" -S "$KVER" --show-depends "$m" || die "module $m is not in $KVER"
done | sed -n 's/^insmod //p' | while read -r f; do
  d=$R/lib/modules/$KVER/${f#*/lib/modules/$KVER/}; mkdir -p "$(dirname "$d")"; cp "$f" "$d"
done
cp "$MODROOT/lib/modules/$KVER"/modules.{order,builtin,builtin.modinfo} $R/lib/modules/$KVER/ 2>/dev/null || true
depmod -b $R "$KVER"
cp out/lowpan_ctx.ko $R/lib/
cp "$HERE/guest/init" $R/init; cp "$HERE/guest/lib.sh" $R/lib/lib.sh; chmod +x $R/init
(cd $R && find . | cpio -o -H newc --quiet) > out/base.cpio
cp "$KROOT/boot/vmlinuz-$KVER" out/vmlinuz
echo "built: out/vmlinuz ($KVER), out/base.cpio $(($(stat -c %s out/base.cpio)/1024)) KiB, out/lowpan_ctx.ko"
echo "$SOURCES" > out/sources
