# For OpenEmbedded: audits the deployed images of an image recipe against a layout file.
#
#     inherit imgaudit
#     IMGAUDIT_LAYOUT = "${THISDIR}/files/board.yaml"
#
# imgaudit must be on the build host's PATH: add it to HOSTTOOLS in local.conf. It only reads.
IMGAUDIT_LAYOUT ?= ""
IMGAUDIT_ARTIFACTS ?= "${DEPLOY_DIR_IMAGE}"
IMGAUDIT_FAIL_ON ?= "error"

HOSTTOOLS_NONFATAL += "imgaudit"

do_audit_images() {
    if [ -z "${IMGAUDIT_LAYOUT}" ]; then
        bbfatal "IMGAUDIT_LAYOUT is not set"
    fi
    if ! imgaudit audit "${IMGAUDIT_LAYOUT}" --artifacts "${IMGAUDIT_ARTIFACTS}" \
            --fail-on "${IMGAUDIT_FAIL_ON}" --output "${WORKDIR}/imgaudit.txt"; then
        cat "${WORKDIR}/imgaudit.txt" >&2 || true
        bbfatal "the images do not fit their layout, see ${WORKDIR}/imgaudit.txt"
    fi
}
do_audit_images[nostamp] = "1"
do_audit_images[depends] += "${PN}:do_image_complete"
addtask audit_images after do_image_complete before do_build
