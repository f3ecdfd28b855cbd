#!/bin/sh
# Install the general tools that the tests compare with, on Debian; fail if one is missing after all.
set -eu
as_root() { if [ "$(id -u)" = 0 ]; then "$@"; else sudo "$@"; fi; }
export DEBIAN_FRONTEND=noninteractive
# One index that is late does not matter where every package can be had all the same.
as_root apt-get update -qq || echo 'an index could not be read; trying with what is known' >&2
as_root apt-get install -y -qq --no-install-recommends \
    android-sdk-libsparse-utils arm-trusted-firmware-tools binutils btrfs-progs busybox-static \
    bzip2 chromium chromium-driver cpio cryptsetup-bin debian-installer-12-netboot-arm64 debian-installer-12-netboot-armhf \
    device-tree-compiler dosfstools e2fsprogs erofs-utils f2fs-tools fdisk file \
    forensics-samples-ext4 forensics-samples-vfat gcc gdisk genimage gzip ipxe \
    kmod libc6-dev libubootenv-tool lvm2 lz4 lzop mandoc memtest86+ mtd-utils mtools openssl pax-utils \
    poppler-utils python3-venv \
    qemu-system-arm qemu-user-static squashfs-tools u-boot-qemu u-boot-tools xz-utils zstd >/dev/null
command -v npm >/dev/null || as_root apt-get install -y -qq --no-install-recommends npm >/dev/null
as_root npm install --global --no-fund --no-audit --loglevel=error \
    axe-core@4.14.1 @microsoft/sarif-multitool@5.7.0 >/dev/null

PATH="$PATH:/usr/sbin:/sbin"
missing=
for tool in blkid btrfs bzip2 chromedriver chromium cpio cryptsetup debugfs dtc dump.erofs dumpe2fs dumpimage e2fsck \
    fdtget fiptool fsck.f2fs fsck.vfat fw_printenv gcc genimage gzip img2simg lddtree lz4 lzop mandoc mcopy mdir \
    mke2fs mkenvimage mkfs.btrfs mkfs.erofs mkfs.f2fs mkfs.jffs2 mkfs.ubifs mkfs.vfat mkimage \
    mksquashfs mkswap modinfo npm openssl pdftotext pvck qemu-aarch64-static \
    qemu-arm-static qemu-system-aarch64 readelf sarif-multitool sfdisk sgdisk simg2img ubinize unsquashfs veritysetup xz zstd; do
    command -v "$tool" >/dev/null || missing="$missing $tool"
done
if [ -n "$missing" ]; then
    echo "oracles are missing:$missing" >&2
    exit 1
fi
