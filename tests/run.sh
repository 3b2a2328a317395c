#!/bin/sh
# Every check of this project, in the order of what is quickest to mend. Stops at the first that fails, and names it.
#     sh tests/run.sh                     everything
#     sh tests/run.sh -m 'not slow' -x    the tests with these options for pytest, without the coverage floor
set -eu
cd "$(dirname "$0")/.."
. demo/setup.sh
prepare test

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
