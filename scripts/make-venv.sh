#!/bin/sh
# Makes the virtual environment; on a bare Debian the venv module is a package of its own.
set -eu
python=$1
venv=$2
if ! "$python" -c 'import ensurepip, venv' 2>/dev/null; then
    if [ "$(id -u)" = 0 ] && command -v apt-get >/dev/null; then
        echo "setup: installing Debian's python3-venv"
        apt-get update -qq
        DEBIAN_FRONTEND=noninteractive apt-get install -y -qq python3-venv >/dev/null
    else
        echo "setup: this Python has no venv module; as root: apt-get install python3-venv" >&2
        exit 1
    fi
fi
"$python" -c 'import sys; sys.exit(sys.version_info < (3, 11))' || {
    echo "setup: Python 3.11 or newer is needed; say which with make PYTHON=..." >&2
    exit 1
}
"$python" -m venv "$venv"
