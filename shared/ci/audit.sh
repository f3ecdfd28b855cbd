#!/bin/sh
# Gate a build on its layout: copy into your repository and call it from any CI.
#
#     LAYOUT=board.yaml ARTIFACTS=build/images sh audit.sh
#
# Exit status: 0 pass, 1 findings at or above the layout's gate, 2 the audit could not be carried out.
# Both reports are written, whatever the verdict: keep them with the build.
set -u
layout=${LAYOUT:?the layout file}
artifacts=${ARTIFACTS:?the folder with the artifacts}
reports=${REPORTS:-.}

mkdir -p "$reports" || exit 2
imgaudit audit "$layout" --artifacts "$artifacts" --format json --output "$reports/imgaudit.json"
status=$?
if [ "$status" -ne 2 ]; then
    imgaudit audit "$layout" --artifacts "$artifacts" --output "$reports/imgaudit.txt"
    cat "$reports/imgaudit.txt"
fi
exit "$status"
