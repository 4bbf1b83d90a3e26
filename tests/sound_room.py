"""A room with a loudspeaker and a microphone, made of PulseAudio null sinks.

What is played into the sink `room` is heard by the default microphone of programs that run with
`SoundRoom.env`; what they play goes to the sink `voice`.  Needs no sound card.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType

import numpy as np

_HEARD_HZ = 8_000
_SILENT = 200
_ALSA = "</usr/share/alsa/alsa.conf>\npcm.!default { type pulse }\nctl.!default { type pulse }\n"
_PROGRAMS = ("pulseaudio", "pactl", "paplay", "parec")
_START_LIMIT_S = 60.0


def missing() -> str:
    """Return what is missing for a sound room, or an empty string."""
    absent = [program for program in _PROGRAMS if shutil.which(program) is None]
    return f"not installed: {', '.join(absent)}" if absent else ""


def wait_until(ready: Callable[[], bool], what: str, limit_s: float = _START_LIMIT_S) -> None:
    """Wait for a condition.

    Raises
    ------
    TimeoutError
        If it does not come true within `limit_s`.
    """
    deadline_s = time.monotonic() + limit_s
    while not ready():
        if time.monotonic() > deadline_s:
            raise TimeoutError(f"{what} did not come within {limit_s:g} s")
        time.sleep(0.02)


class SoundRoom:
    """Two null sinks, `room` and `voice`, in a PulseAudio server of their own.

    Attributes
    ----------
    env : dict of str to str
        Environment for programs that are in the room.
    """

    def __init__(self) -> None:
        self._modules: dict[str, str] = {}
        self._listeners: dict[str, subprocess.Popen[bytes]] = {}
        self._folder = tempfile.TemporaryDirectory(prefix="sound-room-")
        self._home = home = Path(self._folder.name)
        home.chmod(0o700)
        alsa = home / "asound.conf"
        alsa.write_text(_ALSA)
        self._socket = home / "native"
        self.env = {
            **os.environ,
            "HOME": str(home),
            "XDG_RUNTIME_DIR": str(home),
            "PULSE_RUNTIME_PATH": str(home),
            "PULSE_SERVER": f"unix:{self._socket}",
            "PULSE_SOURCE": "room.monitor",
            "PULSE_SINK": "voice",
            "ALSA_CONFIG_PATH": str(alsa),
        }
        self._server = subprocess.Popen(
            [
                "pulseaudio", "-n", "--daemonize=no", "--exit-idle-time=-1", "--disallow-exit",
                "--use-pid-file=no", "--log-level=error", "--disable-shm=yes",
                f"--load=module-native-protocol-unix socket={self._socket} auth-anonymous=1",
            ],
            env=self.env, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        try:
            wait_until(self._socket.exists, "pulseaudio")
            self.plug("voice")
            self.plug("room")
        except BaseException:
            self.close()
            raise

    def __enter__(self) -> SoundRoom:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """End the server."""
        for sink in tuple(self._listeners):
            self._stop_listening(sink)
        self._server.kill()
        self._server.wait()
        self._folder.cleanup()

    def plug(self, sink: str) -> None:
        """Add a null sink; `room` is the microphone, `voice` the loudspeaker."""
        self._modules[sink] = self._pactl("load-module", "module-null-sink", f"sink_name={sink}")
        # Without a listener a null sink moves in steps of two seconds, and it begins with such a step.
        # So it stands still until there is one.
        self._pactl("suspend-sink", sink, "1")
        heard = self._heard(sink)
        heard.unlink(missing_ok=True)
        listener = self._listeners[sink] = subprocess.Popen(
            [
                "parec",
                f"--device={sink}.monitor",
                "--latency-msec=20",
                f"--rate={_HEARD_HZ}",
                "--format=s16le",
                "--channels=1",
                str(heard),
            ],
            env=self.env,
        )
        known = f'application.process.id = "{listener.pid}"'
        wait_until(lambda: known in self._pactl("list", "source-outputs"), f"the listener at {sink}")
        self._pactl("suspend-sink", sink, "0")
        wait_until(lambda: heard.exists() and heard.stat().st_size > 0, f"sound from {sink}")

    def unplug(self, sink: str) -> None:
        """Take a sink away, as if its device were unplugged."""
        self._stop_listening(sink)
        self._pactl("unload-module", self._modules.pop(sink))

    def play(self, file: Path, *, sink: str = "room") -> None:
        """Play a sound file to its end."""
        subprocess.run(["paplay", f"--device={sink}", str(file)], env=self.env, check=True, timeout=300)

    def start_playing(self, file: Path, *, sink: str = "room") -> subprocess.Popen[bytes]:
        """Start to play a sound file."""
        return subprocess.Popen(["paplay", f"--device={sink}", str(file)], env=self.env)

    @contextmanager
    def until_said(
        self, sink: str = "voice", *, quiet_s: float = 1.2, limit_s: float = 60.0
    ) -> Iterator[None]:
        """Wait, after what is done inside, until something was said into a sink and it is quiet again."""
        heard = self._heard(sink)
        before = heard.stat().st_size // 2

        def said() -> bool:
            loud = np.abs(np.fromfile(heard, "<i2")[before:].astype(int)) > _SILENT
            return bool(loud.any()) and not loud[-round(quiet_s * _HEARD_HZ) :].any()

        yield
        wait_until(said, f"what is said into {sink}", limit_s=limit_s)

    def record(self, file: Path, *, sink: str = "voice", rate_hz: int = 16_000) -> Tape:
        """Start to record, into a mono WAV file, what is played to a sink."""
        return Tape(self.env, file, sink, rate_hz)

    def _heard(self, sink: str) -> Path:
        """Return the file with all that sounded in a sink since it was plugged in."""
        return self._home / f"{sink}.raw"

    def _stop_listening(self, sink: str) -> None:
        listener = self._listeners.pop(sink)
        listener.terminate()
        listener.wait()

    def _pactl(self, *words: str) -> str:
        done = subprocess.run(
            ["pactl", *words], env=self.env, check=True, capture_output=True, text=True, timeout=20
        )
        return done.stdout.strip()


class Tape:
    """A running recording of a sink; a context manager, or call `stop`."""

    def __init__(self, env: Mapping[str, str], file: Path, sink: str, rate_hz: int) -> None:
        self.file = file
        file.unlink(missing_ok=True)
        self._recorder = subprocess.Popen(
            [
                "parec", f"--device={sink}.monitor", "--file-format=wav", "--format=s16le",
                f"--rate={rate_hz}", "--channels=1", "--latency-msec=50", str(file),
            ],
            env=dict(env),
        )  # fmt: skip
        wait_until(lambda: file.exists() and file.stat().st_size > 0, "the recording")

    def __enter__(self) -> Tape:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()

    def stop(self) -> None:
        """End the recording and complete the file."""
        self._recorder.terminate()
        self._recorder.wait(timeout=20)
