#!/bin/sh
# For Buildroot: BR2_ROOTFS_POST_IMAGE_SCRIPT="board/acme/audit-images.sh"
# and in BR2_ROOTFS_POST_SCRIPT_ARGS the layout file. imgaudit must be on the PATH; it only reads.
set -eu
images=$1
layout=${2:?name the layout file in BR2_ROOTFS_POST_SCRIPT_ARGS}
imgaudit audit "$layout" --artifacts "$images"
