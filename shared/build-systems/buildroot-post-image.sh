#!/bin/sh
# For Buildroot: add it to the scripts that are there already,
#
#     BR2_ROOTFS_POST_IMAGE_SCRIPT="support/scripts/genimage.sh board/acme/audit-images.sh"
#
# All of them get the same BR2_ROOTFS_POST_SCRIPT_ARGS, so this one takes only its own option and
# passes over the others, such as -c board/acme/genimage.cfg:
#
#     BR2_ROOTFS_POST_SCRIPT_ARGS="-c board/acme/genimage.cfg --audit-layout=board/acme/board.yaml"
#
# or the environment variable IMGAUDIT_LAYOUT. imgaudit must be on the PATH, which
# the host package in buildroot/ sees to; it only reads.
set -u
images=${1:?Buildroot gives the folder with the images first}
shift
layout=${IMGAUDIT_LAYOUT:-}
for argument in "$@"; do
    case $argument in
    --audit-layout=*) layout=${argument#--audit-layout=} ;;
    esac
done
if [ -z "$layout" ]; then
    echo "audit-images: name the layout: --audit-layout=FILE, or IMGAUDIT_LAYOUT" >&2
    exit 2
fi
if ! command -v imgaudit >/dev/null; then
    echo "audit-images: imgaudit is not on the PATH" >&2
    exit 2
fi
imgaudit audit "$layout" --artifacts "$images"
status=$?
case $status in
0) ;;
1) echo "audit-images: the images do not fit $layout" >&2 ;;
3) echo "audit-images: nothing wrong was found, but not all could be judged" >&2 ;;
*) echo "audit-images: the audit could not be carried out" >&2 ;;
esac
exit "$status"
