#!/bin/sh
# Gate a build on its layout: copy into your repository and call it from any CI.
#
#     LAYOUT=board.yaml ARTIFACTS=build/images sh audit.sh
#
# One run writes the text to the log, and the page, JSON, SARIF, JUnit and code quality reports into
# REPORTS: keep them with the build, whatever the verdict. BASELINE, if set, is an earlier imgaudit.json;
# HISTORY a folder with the sealed manifests of the releases so far.
# Exit status: 0 pass, 1 findings at or above the gate, 2 the audit could not be carried out, 3 no
# finding, but something that the layout names was not judged.
set -u
layout=${LAYOUT:?the layout file}
artifacts=${ARTIFACTS:?the folder with the artifacts}
reports=${REPORTS:-.}

if ! command -v imgaudit >/dev/null; then
    echo "audit: imgaudit is not on the PATH" >&2
    exit 2
fi
mkdir -p "$reports" || exit 2
imgaudit audit "$layout" --artifacts "$artifacts" --root . \
    ${BASELINE:+--baseline "$BASELINE"} ${HISTORY:+--history "$HISTORY"} \
    --report text="$reports/imgaudit.txt" --report json="$reports/imgaudit.json" \
    --report html="$reports/imgaudit.html" --report sarif="$reports/imgaudit.sarif" \
    --report junit="$reports/imgaudit.xml" --report code-quality="$reports/imgaudit-quality.json" \
    --report markdown="$reports/imgaudit.md"
status=$?
case $status in
0 | 1) ;;
3) echo "audit: nothing wrong was found, but not all could be judged" >&2 ;;
*) echo "audit: the audit could not be carried out (exit $status)" >&2 ;;
esac
if [ -n "${GITHUB_STEP_SUMMARY:-}" ] && [ -f "$reports/imgaudit.md" ]; then
    cat "$reports/imgaudit.md" >>"$GITHUB_STEP_SUMMARY"
fi
exit "$status"
