"""Learning a pedal by pressing it, at the command line in a terminal, and writing it into the settings."""

from __future__ import annotations

import math
import os
import pty
import re
import select
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest
from test_pedal import display, virtual_display

from checkback.errors import UserError
from checkback.hearing.pedals.learning import Learned, Pressed, learn
from checkback.settings import load
from checkback.settings_file import update
from command_line import COMMAND, checkback, quiet

# --- without a terminal ----------------------------------------------------------------------------


class Keys:
    """Keys that move as it is written down: seconds after the one before, key, down, device.

    With a clock of their own, that runs while somebody waits for them.
    """

    watch = "evdev"

    def __init__(self, moves: list[tuple[float, str, bool, str]]) -> None:
        self.moves = moves
        self.now_s = 100.0
        self.closed = False

    def next(self, timeout_s: float) -> Pressed | None:
        wait_s, key, down, device = self.moves[0] if self.moves else (math.inf, "", False, "")
        if timeout_s <= 0 or wait_s > timeout_s:
            self.now_s += max(0.0, timeout_s)
            self.moves[:1] = [(wait_s - max(0.0, timeout_s), key, down, device)] if self.moves else []
            return None
        self.now_s += wait_s
        del self.moves[0]
        return Pressed(key, down, self.now_s, device)

    def name(self, device: str) -> str:
        return device.lower()

    def close(self) -> None:
        self.closed = True


def lesson(
    moves: list[tuple[float, str, bool, str]], *, wanted: str, grab: bool = True
) -> tuple[Learned | None, str]:
    keys = Keys(moves)
    shown: list[str] = []

    def ask(question: str) -> bool:
        return grab if question.startswith("Shall") else question.split(" ")[0] in wanted.split()

    found = learn(ask, shown.append, source=keys, wait_s=1.5, clock=lambda: keys.now_s)  # type: ignore[arg-type]
    assert not keys.closed  # whoever opened it closes it
    return found, "\n".join(shown)


def press(
    key: str, down_s: float, device: str = "Box", wait_s: float = 0.05
) -> list[tuple[float, str, bool, str]]:
    return [(wait_s, key, True, device), (down_s, key, False, device)]


def test_each_action_gets_the_key_and_the_way_in_which_it_was_pressed() -> None:
    moves = [
        *press("b", 0.3),
        # another keyboard is not the pedal
        *press("enter", 0.05, "Keyboard"),
        *press("c", 0.05),
        *press("c", 0.05, wait_s=0.8), *press("c", 0.05, wait_s=0.1),
        *press("c", 1.0, wait_s=0.4),
    ]  # fmt: skip
    found, shown = lesson(moves, wanted="talk affirm withdraw clock", grab=False)
    assert found is not None
    assert found.keys == {
        "b": {"hold": "talk"},
        "c": {"tap": "affirm", "double": "withdraw", "long": "clock"},
    }
    assert (found.watch, found.device, found.grab) == ("evdev", "box", False)
    assert "That was Keyboard; the pedal is Box." in shown
    assert "c, double tap: withdraw." in shown


def test_a_way_that_is_taken_or_does_not_go_with_talk_is_asked_for_again() -> None:
    moves = [*press("b", 0.3), *press("b", 1.0, wait_s=0.1), *press("c", 0.05), *press("c", 0.05, wait_s=0.8)]
    found, shown = lesson(moves, wanted="talk affirm withdraw")
    assert found is not None and found.keys == {"b": {"hold": "talk"}, "c": {"tap": "affirm"}}
    assert '"b": Hold and long cannot be on one key' in shown
    assert '"c": tap does affirm already' in shown
    assert "Nothing was pressed for 1.5 s: no pedal does withdraw." in shown


def test_nothing_pressed_is_nothing_learned() -> None:
    assert lesson([], wanted="mark")[0] is None
    assert lesson([], wanted="")[0] is None


# --- the settings file -----------------------------------------------------------------------------


def test_the_rest_of_the_settings_stays_as_it_was(tmp_path: Path) -> None:
    file = tmp_path / "settings.toml"
    file.write_text(
        '# of room two\ncases = "cases"  # on the server\n\n[pedals]\nuse = false\nwatch = "display"\n'
        'long_s = 1.0  # slow feet\n\n[pedals.keys]\nf6 = "talk"\n\n[speaking]\nrate_wpm = 150\n'
    )
    learned = Learned(
        "evdev", {"b": {"hold": "talk"}, "c": {"tap": "mark", "double": "clock"}}, "1a2b:00ff", "Box"
    )
    update(file, {"pedals": learned.settings()})
    text = file.read_text()
    assert "# of room two\n" in text and "# on the server" in text and "# slow feet" in text
    settings = load(file)
    assert settings.speaking.rate_wpm == 150
    assert settings.pedals.long_s == 1.0
    assert (settings.pedals.use, settings.pedals.watch, settings.pedals.device) == (
        True,
        "evdev",
        "1a2b:00ff",
    )
    assert settings.pedals.keys == {"b": "talk", "c": {"tap": "mark", "double": "clock"}}
    # and again, with less: what is not so any more goes
    update(file, {"pedals": Learned("display", {"f6": {"hold": "talk"}}).settings()})
    assert load(file).pedals.device is None
    assert load(file).pedals.keys == {"f6": "talk"}
    assert file.read_text().count("f6") == 1
    assert list(tmp_path.iterdir()) == [file]


def test_a_file_that_is_made_anew_and_one_that_cannot_be_used(tmp_path: Path) -> None:
    file = tmp_path / "new" / "settings.toml"
    update(file, {"cases": Path("there"), "pedals": {"use": True, "keys": {}}})
    assert load(file).cases == Path("there")
    file.write_text("[pedals\n")
    with pytest.raises(UserError, match=r"settings\.toml: not valid TOML"):
        update(file, {"pedals": {"use": True}})
    file.write_text("[speaking]\nrate_wpm = 5\n")
    with pytest.raises(UserError, match=r"key speaking\.rate_wpm: .*mend that key"):
        update(file, {"pedals": {"use": True}})
    assert file.read_text() == "[speaking]\nrate_wpm = 5\n"
    link = tmp_path / "link.toml"
    file.write_text("")
    link.symlink_to(file)
    update(link, {"pedals": {"use": True}})
    assert link.is_symlink() and load(file).pedals.use


# --- the command -----------------------------------------------------------------------------------


def test_without_a_terminal_is_one_sentence(tmp_path: Path) -> None:
    done = checkback("pedal", cwd=tmp_path)
    assert (done.code, done.out) == (2, "")
    assert (
        done.err.startswith("checkback: checkback pedal asks, and there is no terminal")
        and done.err.count("\n") == 1
    )
    listed = checkback("pedal", "--list", cwd=tmp_path)
    assert listed.code == 0 and listed.out


class Terminal:
    """The program in a terminal, with somebody who reads and answers."""

    def __init__(self, *words: str, env: dict[str, str]) -> None:
        self._master, end = pty.openpty()
        self.process = subprocess.Popen([*COMMAND, *words], stdin=end, stdout=end, stderr=end, env=env)
        os.close(end)
        self.text = ""
        self._read = 0

    def wait_for(self, pattern: str) -> None:
        until_s = time.monotonic() + 60
        while (found := re.search(pattern, self.text[self._read :])) is None:
            assert time.monotonic() < until_s, self.text
            if select.select([self._master], [], [], 0.5)[0]:
                try:
                    self.text += os.read(self._master, 4096).decode()
                except OSError:
                    assert re.search(pattern, self.text[self._read :]), self.text
        self._read += found.end()

    def answer(self, text: str) -> None:
        os.write(self._master, text.encode() + b"\n")

    def end(self) -> int:
        code = self.process.wait(timeout=60)
        os.close(self._master)
        return code


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "settings.toml"


def test_a_device_is_learned_in_a_terminal(tmp_path: Path, path: Path) -> None:
    pytest.importorskip("evdev")
    from evdev import ecodes as e
    from test_pedal_device import key

    path.write_text("# mine\n")
    server = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    server.bind(str(tmp_path / "box"))
    server.listen(1)
    terminal = Terminal(
        "--settings", str(path), "pedal", "--device", str(tmp_path / "box"), env=dict(quiet())
    )
    line, _ = server.accept()

    def tap(code: int) -> None:
        line.sendall(key(code, 1) + key(code, 0))

    terminal.wait_for(r"talk \(hold to talk\): shall a pedal do that\? \[y/N\]: ")
    terminal.answer("y")
    terminal.wait_for("now the pedal")
    tap(e.KEY_B)
    terminal.wait_for("b, hold: talk")
    terminal.wait_for(r"affirm \(affirm what is asked\).*: ")
    terminal.answer("y")
    terminal.wait_for("now the pedal")
    tap(e.KEY_C)
    terminal.wait_for("c, tap: affirm")
    for _ in range(5):
        terminal.wait_for(r"shall a pedal do that\? \[y/N\]: ")
        terminal.answer("n")
    terminal.wait_for(r"taken away .*: ")
    terminal.answer("y")
    terminal.wait_for(r"written: b hold: talk, c tap: affirm; .*box\. Try it with: checkback listen")
    assert terminal.end() == 0
    assert path.read_text().startswith("# mine\n")
    pedals = load(path).pedals
    assert (pedals.use, pedals.watch, pedals.device) == (True, "evdev", str(tmp_path / "box"))
    assert pedals.keys == {"b": "talk", "c": "affirm"}
    line.close()
    server.close()


@display
def test_keys_are_learned_through_the_display(path: Path) -> None:
    with virtual_display():
        env = dict(quiet()) | {"DISPLAY": os.environ["DISPLAY"]}
        terminal = Terminal("--settings", str(path), "pedal", "--watch", "display", env=env)
        for action in ("talk", "affirm"):
            terminal.wait_for(rf"{action} .*: ")
            terminal.answer("n")
        terminal.wait_for(r"withdraw .*: ")
        terminal.answer("y")
        terminal.wait_for("now the pedal")
        subprocess.run(["xdotool", "keydown", "F8", "sleep", "1.2", "keyup", "F8"], check=True)
        terminal.wait_for("f8, long press: withdraw")
        for _ in range(4):
            terminal.wait_for(r"shall a pedal do that\? \[y/N\]: ")
            terminal.answer("n")
        terminal.wait_for(r"written: f8 long press: withdraw; keys seen through the display")
        assert terminal.end() == 0
    assert load(path).pedals.keys == {"f8": {"long": "withdraw"}}
    assert load(path).pedals.watch == "display"


@pytest.mark.skipif(sys.platform == "win32", reason="terminals of this kind are not there")
def test_settings_that_are_wrong_are_told_before_anything_is_asked(path: Path) -> None:
    path.write_text("[pedals]\nhow = 1\n")
    done = checkback("--settings", path, "pedal")
    assert done.code == 2
    assert "pedals.how" in done.err
