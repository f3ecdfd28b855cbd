# For OpenEmbedded: the program for the build host. Set where your copy of the repository is, and the
# full commit that you trust.
SUMMARY = "Audit the images of a two-stage embedded-Linux board before they reach its flash"
LICENSE = "MIT"
LIC_FILES_CHKSUM = "file://LICENSE;md5=5027d7a1928d9e530c59fd63b897d9e0"

IMGAUDIT_REPOSITORY ?= "git://YOUR.HOST/YOUR/imgaudit.git;protocol=https;branch=main"
# Where S is by itself, in old and in new releases of oe-core.
SRC_URI = "${IMGAUDIT_REPOSITORY};destsuffix=${BP}"
SRCREV ?= "FULL-COMMIT"
PV = "0.1.0+git"

inherit native python_hatchling

# lzallright and backports.zstd are in no common layer: without them LZO and zstd are reported as not
# checked. tabulate is for Markdown alone.
DEPENDS += "python3-click-native python3-pyyaml-native python3-pyelftools-native"
