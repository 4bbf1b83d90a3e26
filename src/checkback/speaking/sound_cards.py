"""Which loudspeakers there are, told by a process of its own: a sound system that fails ends only that."""

from __future__ import annotations

import json
import subprocess
import sys

from checkback.errors import UserError

_LIST = (
    "import json, sounddevice; "
    "print(json.dumps([d['name'] for d in sounddevice.query_devices() if d['max_output_channels'] > 0]))"
)
_LIMIT_S = 20.0


def loudspeaker_names() -> tuple[str, ...]:
    """List the names of all output devices, each once.

    Raises
    ------
    UserError
        If the sound system cannot be asked.
    """
    try:
        done = subprocess.run(
            [sys.executable, "-c", _LIST], capture_output=True, timeout=_LIMIT_S, check=True
        )
        return tuple(dict.fromkeys(json.loads(done.stdout.splitlines()[-1])))
    except (OSError, subprocess.SubprocessError, ValueError, IndexError):
        raise UserError(
            "The sound system of this computer cannot be asked for loudspeakers: install PortAudio (Debian, "
            "Ubuntu: apt-get install libportaudio2), or choose the text voice."
        ) from None
