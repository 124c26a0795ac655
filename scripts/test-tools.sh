#!/bin/sh
# Debian tools with which the tests make real volumes. Without root the tests that need them are skipped and say so.
set -eu
missing=""
for pair in mkfs.fat:dosfstools mcopy:mtools mkfs.exfat:exfatprogs mkfs.ntfs:ntfs-3g mke2fs:e2fsprogs debugfs:e2fsprogs; do
    PATH="$PATH:/usr/sbin:/sbin" command -v "${pair%%:*}" >/dev/null 2>&1 || missing="$missing ${pair##*:}"
done
[ -n "$missing" ] || exit 0
if [ "$(id -u)" = 0 ] && command -v apt-get >/dev/null; then
    echo "tests: installing Debian's$missing"
    apt-get update -qq
    # shellcheck disable=SC2086
    DEBIAN_FRONTEND=noninteractive apt-get install -y -qq $missing >/dev/null
else
    echo "tests: not root, so Debian's$missing stay missing; the tests that need them will be listed as skipped"
fi
