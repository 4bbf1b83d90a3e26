#!/bin/sh
# axe-core, by which the tests look for what people cannot read or reach (MPL-2.0, used by the tests only).
# It is kept outside the project; where npm or the network is missing, the test that needs it is skipped.
set -eu
place="${XDG_CACHE_HOME:-$HOME/.cache}/checkback-tests"
version=4.10.3
[ -f "$place/node_modules/axe-core/axe.min.js" ] && exit 0
if ! command -v npm >/dev/null 2>&1; then
    echo "npm is missing: the test with axe-core is skipped." >&2
    exit 0
fi
mkdir -p "$place"
npm install --silent --no-audit --no-fund --ignore-scripts --prefix "$place" "axe-core@$version" >/dev/null 2>&1 \
    || echo "axe-core could not be fetched with npm: the test with it is skipped." >&2
