#!/bin/sh
# Every check of this project, in the order of what is quickest to mend. Stops at the first that fails, and names it.
#     sh tests/run.sh                     everything
#     sh tests/run.sh -m 'not slow' -x    the tests with these options for pytest, without the coverage floor
set -eu
cd "$(dirname "$0")/.."
. demo/setup.sh
prepare test
have_chromium

FLOOR=95 # per cent of the core's lines and branches that the tests must reach
CORE='decoder/window.py,decoder/marking.py,decoder/tables.py,decoder/scheme/*,decoder/families/*,decoder/soundness.py,decoder/catalog.py,decoder/coverage.py,decoder/crosscheck/*'

stage() { # NAME COMMAND...
    name=$1
    shift
    printf '\n== %s\n' "$name"
    "$@" || {
        code=$?
        printf '\nFAILED at: %s (exit %d)\n    %s\n' "$name" "$code" "$*" >&2
        exit 1
    }
}

# Pango, which lays out the text of a report as PDF, is no Python package. Without it the tests of the PDF are skipped.
PANGO='libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0 fonts-dejavu-core'
if ! "$python" -c 'import weasyprint' >/dev/null 2>&1; then
    if [ "$(id -u)" = 0 ] && command -v apt-get >/dev/null 2>&1; then
        say "installing $PANGO (apt-get)"
        # shellcheck disable=SC2086
        { apt-get update -qq && DEBIAN_FRONTEND=noninteractive apt-get install -y -qq $PANGO; } >/dev/null ||
            say "apt-get could not install $PANGO: the tests of the PDF are skipped"
    else
        say "the tests of the PDF are skipped: they need $PANGO (sudo apt-get install $PANGO)"
    fi
fi

stage 'style' "$python" -m ruff check --output-format concise .
stage 'format (mended by: .venv/bin/ruff format)' "$python" -m ruff format --check --output-format concise .
stage 'types' "$python" -m mypy
stage 'layers' .venv/bin/lint-imports --no-cache
stage 'tables' .venv/bin/partdate tables validate
export HYPOTHESIS_PROFILE="${HYPOTHESIS_PROFILE:-ci}"
if [ $# -gt 0 ]; then
    stage 'tests (chosen)' "$python" -m pytest "$@"
else
    stage 'tests' "$python" -m pytest --cov --cov-report=
    stage "coverage of the core (at least $FLOOR%)" \
        "$python" -m coverage report --include="$CORE" --fail-under="$FLOOR"
fi
printf '\nAll checks passed.\n'
