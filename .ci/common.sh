# Shared by demo, quick and test: sets up a virtual environment beside the code.
set -eu
cd "$(dirname "$0")/.."
# Without this, every test that starts our program would compile it again.
unset PYTHONDONTWRITEBYTECODE

as_root() {
    if [ "$(id -u)" = 0 ]; then "$@"; else sudo "$@"; fi
}

# debian_packages COMMAND=PACKAGE…: installs each package whose command, or file given by its full path, is missing.
debian_packages() {
    missing=""
    for pair in "$@"; do
        command -v "${pair%%=*}" >/dev/null 2>&1 || [ -x "/usr/sbin/${pair%%=*}" ] || [ -f "${pair%%=*}" ] || missing="$missing ${pair#*=}"
    done
    if [ -n "$missing" ]; then
        echo "Installing from Debian:$missing"
        as_root apt-get update -qq
        # shellcheck disable=SC2086
        as_root env DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends $missing >/dev/null
    fi
}

# environment EXTRAS: makes .venv and installs the project in it.
environment() {
    debian_packages python3=python3
    python3 -c 'import sys; sys.exit(sys.version_info < (3, 11))' || {
        echo "Stokewatch needs Python 3.11 or newer; this is $(python3 --version)" >&2
        exit 1
    }
    if ! python3 -c 'import ensurepip, venv' 2>/dev/null; then
        as_root apt-get update -qq
        as_root apt-get install -y -qq --no-install-recommends python3-venv >/dev/null
    fi
    [ -x .venv/bin/python ] || python3 -m venv .venv
    echo "Installing Stokewatch and the libraries it needs into .venv"
    .venv/bin/python -m pip install --quiet --disable-pip-version-check --editable ".$1"
}

# lint: Python style and types.
lint() {
    ruff check .
    ruff format --check .
    mypy
}
