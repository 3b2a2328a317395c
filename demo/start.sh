#!/bin/sh
# Sets partdate up in this checkout and cross-checks an invented instrument.
#     sh demo/start.sh          the cross-check, and how to go on
#     sh demo/start.sh page     the same, then opens the page at http://127.0.0.1:8000/ until Ctrl-C
set -eu
cd "$(dirname "$0")/.."
. demo/setup.sh
prepare

partdate=.venv/bin/partdate
sheet=demo/estuary-agrees.json

printf '\n$ %s check %s\n\n' "$partdate" "$sheet"
"$partdate" check "$sheet" || give_up "the cross-check of $sheet should agree, but ended with exit code $?."

printf '\nThe instrument and its maker are invented. What to try next:\n'
for other in demo/*.json demo/*.csv; do
    if [ -f "$other" ] && [ "$other" != "$sheet" ]; then
        printf '    %s check %s\n' "$partdate" "$other"
    fi
done
printf '    %s decode 137-6612 --part pot\n' "$partdate"
if [ "${1:-}" = page ]; then
    printf 'The page is at http://127.0.0.1:8000/ until you press Ctrl-C.\n'
    exec "$partdate" serve
fi
printf 'The page, at http://127.0.0.1:8000/ :\n    %s serve\n' "$partdate"
