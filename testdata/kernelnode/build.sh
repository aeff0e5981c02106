#!/bin/bash
# Builds out/vmlinuz and out/base.cpio: Debian's kernel with its IEEE 802.15.4 and
# 6LoWPAN modules, busybox, ip, iwpan, wpan-hwsim, and guest/init. Everything comes
# from Debian packages. Root is needed only for install_deps.
#   ./build.sh            build what is missing
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

# ---- 1. packages -----------------------------------------------------------
HOST_PKGS="qemu-system-x86 cpio kmod iproute2 gcc make libelf1"
install_deps() {
  local miss=""
  for p in $HOST_PKGS; do dpkg -s "$p" >/dev/null 2>&1 || miss="$miss $p"; done
  if [ -n "$miss" ]; then
    [ "$(id -u)" = 0 ] || die "as root: apt-get update && apt-get install -y --no-install-recommends$miss"
    apt-get update -q >/dev/null || die "apt-get update failed"
    apt-get install -y -q --no-install-recommends $miss >/dev/null || die "cannot install; by hand: apt-get install -y --no-install-recommends$miss"
  fi
}
fetch() { # package -> cache/NAME.deb (once)
  [ -s "cache/$1.deb" ] && return
  mkdir -p cache/t && (cd cache/t && rm -f ./*.deb && apt-get -q download "$1" >/dev/null 2>&1) \
    || { apt-get update -q >/dev/null && (cd cache/t && apt-get -q download "$1" >/dev/null 2>&1) || die "cannot download $1"; }
  mv cache/t/*.deb "cache/$1.deb"
}
unpack() { # package... -> cache/x/NAME
  local p; for p; do fetch "$p"; [ -d "cache/x/$p" ] || { mkdir -p "cache/x/$p.t"; dpkg -x "cache/$p.deb" "cache/x/$p.t"; mv "cache/x/$p.t" "cache/x/$p"; }; done
}

install_deps
mkdir -p cache/x out
if [ ! -s cache/kver ]; then
  apt-cache show linux-image-amd64 2>/dev/null | grep -q ^Depends || apt-get update -q >/dev/null
  apt-cache show linux-image-amd64 | sed -n 's/^Depends: linux-image-\([^ ]*\).*/\1/p' | head -1 > cache/kver
fi
KVER=$(cat cache/kver); [ -n "$KVER" ] || die "no linux-image-amd64 in apt's lists"
unpack "linux-image-$KVER" busybox-static wpan-tools libnl-3-200 libnl-genl-3-200
KROOT=cache/x/linux-image-$KVER
[ -d "$KROOT/usr/lib/modules" ] && MODROOT=$KROOT/usr || MODROOT=$KROOT
grep -q '^CONFIG_IEEE802154_HWSIM=m' "$KROOT/boot/config-$KVER" || die "$KVER has no mac802154_hwsim"

# ---- 2. the context-setting module (optional; see kmod/lowpan_ctx.c) --------
# Debian builds 6lowpan without CONFIG_6LOWPAN_DEBUGFS, so this is the only way to
# set a compression context in this kernel.
build_kmod() {
  [ -s out/lowpan_ctx.ko ] && [ out/lowpan_ctx.ko -nt "$HERE/kmod/lowpan_ctx.c" ] && return
  local common=linux-headers-${KVER%-amd64}-common flav=linux-headers-$KVER kb=linux-kbuild-$(echo "$KVER" | cut -d. -f1,2)
  unpack "$common" "$flav" "$kb" || return 1
  local r="$PWD/cache/x"
  rm -rf cache/hdr && mkdir -p cache/hdr/usr/src cache/hdr/usr/lib
  cp -a "$r/$common/usr/src/." "$r/$flav/usr/src/." cache/hdr/usr/src/
  cp -a "$r/$kb/usr/lib/." cache/hdr/usr/lib/
  local h="$PWD/cache/hdr/usr/src/$flav"
  grep -rlI '/usr/src/' "$h" --include=Makefile --include='*.mk' --include='.kernelvariables' 2>/dev/null |
    xargs -r sed -i "s#[^ ]*/usr/src/#$PWD/cache/hdr/usr/src/#g"
  rm -rf cache/kmod && cp -a "$HERE/kmod" cache/kmod
  make -s -C "$h" M="$PWD/cache/kmod" modules >cache/kmod.log 2>&1 || return 1
  cp cache/kmod/lowpan_ctx.ko out/
}
build_kmod || { echo "build.sh: WARNING lowpan_ctx.ko not built (cache/kmod.log): context scenarios are skipped" >&2; rm -f out/lowpan_ctx.ko; }

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
[ -s out/lowpan_ctx.ko ] && cp out/lowpan_ctx.ko $R/lib/
cp "$HERE/guest/init" $R/init; cp "$HERE/guest/lib.sh" $R/lib/lib.sh; chmod +x $R/init
(cd $R && find . | cpio -o -H newc --quiet) > out/base.cpio
cp "$KROOT/boot/vmlinuz-$KVER" out/vmlinuz
echo "built: out/vmlinuz ($KVER), out/base.cpio $(($(stat -c %s out/base.cpio)/1024)) KiB$([ -s out/lowpan_ctx.ko ] && echo ', lowpan_ctx.ko')"
