#!/bin/sh
# Make a virtual environment, also where Debian ships Python without the module for it.
# Usage: make_venv.sh PYTHON FOLDER
set -eu
python=$1
folder=$2

if ! "$python" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
    echo "Checkback needs Python 3.11 or newer; '$python' is older or missing." >&2
    echo "Install it (Debian, Ubuntu: apt-get install python3) or name one: make PYTHON=python3.12 demo" >&2
    exit 2
fi
[ -x "$folder/bin/python" ] && "$folder/bin/python" -m pip --version >/dev/null 2>&1 && exit 0
rm -rf "$folder"
"$python" -m venv "$folder" >/dev/null 2>&1 && exit 0
rm -rf "$folder"

echo "Python has no venv module here; installing Debian's package for it."
if [ "$(id -u)" = 0 ]; then as_root=; elif command -v sudo >/dev/null 2>&1; then as_root=sudo; else as_root=none; fi
if [ "$as_root" = none ] || ! command -v apt-get >/dev/null 2>&1; then
    echo "It cannot be installed from here. As root, run: apt-get install python3-venv   then this again." >&2
    exit 2
fi
$as_root apt-get update -qq
DEBIAN_FRONTEND=noninteractive $as_root apt-get install -y -qq python3-venv ca-certificates >/dev/null
"$python" -m venv "$folder"
