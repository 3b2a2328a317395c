# The environment that demo/start.sh and tests/run.sh share. Sourced from the top of the checkout,
#     . demo/setup.sh; prepare           gives what partdate needs to run
#     . demo/setup.sh; prepare test      gives what its tests need as well
# in .venv, with partdate installed from this checkout, and sets $python to the interpreter there.
# A stamp (what was installed, and where) makes later runs quick. PYTHON=python3.12 names the Python to make
# .venv with.

python=.venv/bin/python
NEW_ENOUGH='import tomllib' # came with Python 3.11
CAN_MAKE_VENV='import ensurepip, venv'

say() {
    printf 'setup: %s\n' "$*"
}

give_up() {
    printf '\nsetup: %s\n' "$*" >&2
    exit 1
}

runs() { # PYTHON STATEMENTS
    "$1" -c "$2" </dev/null >/dev/null 2>&1
}

find_python() { # prints the first Python of 3.11 or later; one that can make environments, if there is one
    for wanted in "$NEW_ENOUGH; $CAN_MAKE_VENV" "$NEW_ENOUGH"; do
        for name in ${PYTHON:+"$PYTHON"} python3 python3.14 python3.13 python3.12 python3.11 python; do
            if runs "$name" "$wanted"; then
                printf '%s\n' "$name"
                return 0
            fi
        done
    done
    return 1
}

install_venv_module() { # PYTHON: Debian and Ubuntu ship the module apart
    package=$("$1" -c 'import sys; print("python%d.%d-venv" % sys.version_info[:2])')
    if [ "$(id -u)" != 0 ] || ! command -v apt-get >/dev/null 2>&1; then
        give_up "$1 can't make environments. On Debian or Ubuntu: sudo apt-get install $package; elsewhere" \
            "install a complete Python 3.11 or later. Then start this again."
    fi
    say "installing $package (apt-get)"
    { apt-get update -qq && DEBIAN_FRONTEND=noninteractive apt-get install -y -qq "$package"; } >/dev/null ||
        give_up "apt-get could not install $package: see the lines above, install it, then start this again."
}

make_venv() {
    base=$(find_python) ||
        give_up "no Python 3.11 or later found (PYTHON=/where/it/is names one). On Debian 12 or later:" \
            "apt-get install python3 python3-venv"
    runs "$base" "$CAN_MAKE_VENV" || install_venv_module "$base"
    say "making .venv with $("$base" -V)"
    "$base" -m venv --clear .venv || give_up "$base could not make .venv: see the lines above."
}

install() { # EXTRAS, such as [test] or nothing
    say "installing partdate$1 into .venv (the first time takes a minute)"
    log=.venv/install.log
    "$python" -m pip install --disable-pip-version-check --no-input --editable ".$1" >"$log" 2>&1 && return 0
    grep -v '^Requirement already' "$log" | tail -n 15 >&2
    if grep -qiE 'connection|name resolution|timed out|unreachable|proxy|certificate' "$log"; then
        give_up "pip could not reach its package index. Check the network, or the proxy and index that" \
            "'pip config list' shows, then start this again. All that pip said: $log"
    fi
    give_up "pip could not install partdate$1. All that it said: $log"
}

have_chromium() { # for the browser tests, which are skipped without it
    for name in chromium chromium-browser google-chrome; do
        command -v "$name" >/dev/null 2>&1 && return 0
    done
    if [ "$(id -u)" != 0 ] || ! command -v apt-get >/dev/null 2>&1; then
        say "no Chromium here: the browser tests will be skipped (on Debian: sudo apt-get install chromium)"
        return 0
    fi
    say "installing chromium (apt-get)"
    { apt-get update -qq && DEBIAN_FRONTEND=noninteractive apt-get install -y -qq chromium; } >/dev/null ||
        say "apt-get could not install chromium: the browser tests will be skipped"
}

fingerprint() {
    "$python" -c 'import hashlib, sys
with open("pyproject.toml", "rb") as file:
    print(hashlib.sha256(file.read()).hexdigest(), sys.version.split()[0])'
}

prepare() { # [test]
    here=$(pwd -P)
    stamp=.venv/partdate-${1:-run}
    # An environment made elsewhere (a moved or copied checkout) has commands that point there.
    if ! runs "$python" "$NEW_ENOUGH" || ! runs "$python" 'import pip' ||
        { [ -f .venv/place ] && [ "$(cat .venv/place)" != "$here" ]; }; then
        make_venv
    fi
    printf '%s\n' "$here" >.venv/place
    wanted=$(fingerprint) || give_up "pyproject.toml can't be read."
    for made in "$stamp" .venv/partdate-test; do # the tests' environment holds the other one
        if [ -f "$made" ] && [ "$(cat "$made")" = "$wanted" ]; then
            return 0
        fi
    done
    install "${1:+[$1]}"
    printf '%s\n' "$wanted" >"$stamp"
}
