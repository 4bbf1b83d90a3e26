#!/bin/sh
# Debian packages that the tests use for real: speakers, a virtual sound card, a virtual display, a DICOM archive.
# Where they may not be installed, the tests that need them say so and are skipped.
set -eu
packages="flite festival festvox-us-slt-hts festvox-kallpc16k festvox-kdlpc16k
          pulseaudio pulseaudio-utils libasound2-plugins libportaudio2 sox espeak-ng
          dcmtk openssl poppler-utils
          chromium
          xvfb xdotool gcc libc6-dev linux-libc-dev python3-dev"

missing=
for package in $packages; do
    dpkg-query -W -f '${Status}' "$package" 2>/dev/null | grep -q 'install ok installed' || missing="$missing $package"
done
[ -z "$missing" ] && exit 0

if ! command -v apt-get >/dev/null 2>&1; then
    echo "Not a Debian system: the tests that need$missing are skipped." >&2
    exit 0
fi
if [ "$(id -u)" = 0 ]; then as_root=; elif sudo -n true 2>/dev/null; then as_root="sudo -n"; else
    echo "No rights to install$missing: the tests that need them are skipped." >&2
    echo "To run all of them, as root: apt-get install$missing" >&2
    exit 0
fi
$as_root apt-get update -qq
DEBIAN_FRONTEND=noninteractive $as_root apt-get install -y -qq --no-install-recommends $missing >/dev/null
