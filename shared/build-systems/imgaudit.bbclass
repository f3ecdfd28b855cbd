# For OpenEmbedded: audits what several recipes deploy against a layout file. Inherit it in a recipe
# for the release, which has nothing else to do, and build that:
#
#     LICENSE = "CLOSED"
#     inherit imgaudit
#     IMGAUDIT_LAYOUT = "${THISDIR}/files/board.yaml"
#     IMGAUDIT_DEPENDS = "acme-firmware:do_deploy acme-image:do_image_complete"
#
# IMGAUDIT_DEPENDS lists every task that deploys one of the artifacts: nothing else makes the audit
# wait for them. What another machine's build deploys stands in IMGAUDIT_MCDEPENDS, as
# "mc:FROM:TO:recipe:do_deploy". In a bbappend, THISDIR needs := instead of =.
# The recipe imgaudit-native beside this file brings the program. It only reads.
inherit nopackages
# Nothing is compiled here: no toolchain is needed.
INHIBIT_DEFAULT_DEPS = "1"
deltask do_fetch
deltask do_unpack
deltask do_patch
deltask do_configure
deltask do_compile
deltask do_install
deltask do_populate_sysroot

IMGAUDIT_LAYOUT ?= ""
IMGAUDIT_ARTIFACTS ?= "${DEPLOY_DIR_IMAGE}"
IMGAUDIT_FAIL_ON ?= "error"
IMGAUDIT_DEPENDS ?= ""
IMGAUDIT_MCDEPENDS ?= ""
IMGAUDIT_REPORTS ?= "${WORKDIR}/imgaudit"

do_audit_images() {
    if [ -z "${IMGAUDIT_LAYOUT}" ]; then
        bbfatal "IMGAUDIT_LAYOUT is not set"
    fi
    if ! command -v imgaudit >/dev/null; then
        bbfatal "imgaudit is not there: is imgaudit-native in a layer of this build?"
    fi
    mkdir -p "${IMGAUDIT_REPORTS}"
    status=0
    imgaudit audit "${IMGAUDIT_LAYOUT}" --artifacts "${IMGAUDIT_ARTIFACTS}" \
        --fail-on "${IMGAUDIT_FAIL_ON}" --output "${IMGAUDIT_REPORTS}/imgaudit.txt" \
        --report json="${IMGAUDIT_REPORTS}/imgaudit.json" \
        --report html="${IMGAUDIT_REPORTS}/imgaudit.html" || status=$?
    case $status in
    0) bbnote "the images fit their layout" ;;
    1) cat "${IMGAUDIT_REPORTS}/imgaudit.txt" >&2
       bbfatal "the images do not fit their layout, see ${IMGAUDIT_REPORTS}/imgaudit.txt" ;;
    3) cat "${IMGAUDIT_REPORTS}/imgaudit.txt" >&2
       bbfatal "not all could be judged, see ${IMGAUDIT_REPORTS}/imgaudit.txt" ;;
    *) bbfatal "the audit could not be carried out (exit $status), see the log above" ;;
    esac
}
do_audit_images[nostamp] = "1"
do_audit_images[depends] += "imgaudit-native:do_populate_sysroot ${IMGAUDIT_DEPENDS}"
do_audit_images[mcdepends] += "${IMGAUDIT_MCDEPENDS}"
addtask audit_images before do_build
