#!/usr/bin/env bash
# fetch-kernel.sh DIR: fetches Debian's stock arm64 kernel with this machine's own apt and sources, and leaves in DIR what the board needs of it. Nothing is
# installed, and this machine's lists of packages are left alone: apt works in a folder of its own.
set -euo pipefail
dir=${1:?"fetch-kernel.sh DIR"}
[[ -s $dir/vmlinuz ]] && exit 0

fail() { echo "The arm64 kernel for the board cannot be fetched: $1" >&2; exit 1; }
sources=/etc/apt/sources.list.d/debian.sources
[[ -r $sources ]] || sources=/etc/apt/sources.list
[[ -r $sources ]] && command -v apt-get >/dev/null || fail "this needs Debian's apt and its list of sources"

work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
mkdir -p "$work/lists/partial" "$work/cache/archives/partial" "$work/tree"
cp "$sources" "$work/sources.${sources##*.}"
apt=(-o APT::Architecture=arm64 -o APT::Architectures=arm64 -o APT::Sandbox::User=root -o Acquire::Retries=3 -o "Dir::State::Lists=$work/lists"
	-o Dir::State::Status=/dev/null -o "Dir::Cache=$work/cache" -o "Dir::Etc::sourceparts=$work/none" -o "Dir::Etc::sourcelist=$work/sources.${sources##*.}")
apt-get "${apt[@]}" -qq update || fail "apt-get update failed"
package=$(apt-cache "${apt[@]}" depends linux-image-arm64 | awk '/Depends: linux-image/{print $2; exit}')
[[ -n $package ]] || fail "linux-image-arm64 is in none of the sources"
(cd "$work" && apt-get "${apt[@]}" -qq download "$package:arm64") || fail "$package cannot be downloaded"

# Whatever a module needs that is not named here is built into Debian's kernel, or the test says which is missing.
modules=(i6300esb virtio virtio_ring virtio_pci virtio_pci_legacy_dev virtio_pci_modern_dev virtio_blk virtio_net net_failover failover
	ext4 jbd2 mbcache crc16 libcrc32c crc32c_generic)
dpkg-deb --fsys-tarfile "$work/$package"*.deb | tar x -C "$work/tree" --wildcards './boot/vmlinuz*' '*.ko*' || fail "$package cannot be unpacked"

rm -rf "$dir.part" && mkdir -p "$dir.part"
for m in "${modules[@]}"; do
	found=$(find "$work/tree" -name "$m.ko*" | head -n 1)
	[[ -n $found ]] || continue
	cp "$found" "$dir.part/"
	if [[ $found == *.xz ]]; then unxz "$dir.part/${found##*/}"; fi
done
cp "$work"/tree/boot/vmlinuz* "$dir.part/vmlinuz"
echo "$package" >"$dir.part/package"
rm -rf "$dir" && mv "$dir.part" "$dir"
echo "The board's kernel is $package."
