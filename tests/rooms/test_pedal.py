"""Pedals: real keys on a virtual display, and scripts."""

from __future__ import annotations

import contextlib
import importlib.util
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from checkback.errors import UserError
from checkback.hearing.pedals.bindings import DEFAULT_KEYS, bindings_of
from checkback.hearing.pedals.contact import Contact
from checkback.hearing.pedals.events import Pedal, PedalEvent, PedalNotice
from checkback.hearing.pedals.gestures import Timing
from checkback.hearing.pedals.script import ScriptedPedal
from sound_room import wait_until

DEFAULTS = bindings_of(DEFAULT_KEYS)

# --- one key -------------------------------------------------------------------------------------


def test_a_press_counts_at_once_and_a_release_when_it_has_settled() -> None:
    contact = Contact(bounce_s=0.03)
    assert contact.press()
    assert contact.held
    contact.release(1.0)
    assert contact.settle(1.02) is None
    assert contact.held
    assert contact.settle(1.03) == 1.0
    assert not contact.held
    assert contact.settle(2.0) is None


def test_repeats_of_a_held_key_count_once() -> None:
    contact = Contact()
    assert [contact.press() for _ in range(4)] == [True, False, False, False]


def test_a_bouncing_contact_is_one_press() -> None:
    contact = Contact(bounce_s=0.03)
    assert contact.press()
    contact.release(1.000)
    assert not contact.press()
    contact.release(1.010)
    assert not contact.press()
    contact.release(1.500)
    assert contact.settle(1.6) == 1.5


def test_a_release_without_a_press_is_nothing() -> None:
    contact = Contact()
    contact.release(1.0)
    assert contact.settles_s is None


# --- scripts -------------------------------------------------------------------------------------


def test_a_script_is_read_in_the_order_of_time(tmp_path: Path) -> None:
    script = tmp_path / "pedal.txt"
    script.write_text("# holds to talk\n14 talk up\n12.5 talk down  # the first call-out\n\n20 mark down\n")
    pedal = ScriptedPedal.from_file(script)
    assert pedal.events == (
        PedalEvent("talk", True, 12.5),
        PedalEvent("talk", False, 14.0),
        PedalEvent("mark", True, 20.0),
    )
    log: list[object] = []
    pedal.play(log.append, log.append)
    assert log == [12.5, pedal.events[0], 14.0, pedal.events[1], 20.0, pedal.events[2]]


@pytest.mark.parametrize(
    ("line", "complaint"),
    [
        ("12.5 talk", 'write a time, an action and "down" or "up"'),
        ("12.5 talk press", 'write a time, an action and "down" or "up"'),
        (
            "12.5 sing down",
            'no pedal action "sing": use talk, affirm, withdraw, mark, clock, reminder or card',
        ),
        ("soon talk down", '"soon" is no time'),
        ("-1 talk down", '"-1" is no time'),
        ("inf talk down", '"inf" is no time'),
        ("nan talk down", '"nan" is no time'),
    ],
)
def test_a_bad_line_is_named(tmp_path: Path, line: str, complaint: str) -> None:
    script = tmp_path / "pedal.txt"
    script.write_text(f"1 talk down\n{line}\n")
    with pytest.raises(UserError, match=r"pedal\.txt, line 2, is not understood: .*") as caught:
        ScriptedPedal.from_file(script)
    assert complaint in str(caught.value)


def test_a_script_that_cannot_be_read_is_named(tmp_path: Path) -> None:
    with pytest.raises(UserError, match=r"missing\.txt cannot be read"):
        ScriptedPedal.from_file(tmp_path / "missing.txt")
    (tmp_path / "binary.txt").write_bytes(b"\xff\xfe")
    with pytest.raises(UserError, match=r"binary\.txt is no text"):
        ScriptedPedal.from_file(tmp_path / "binary.txt")


# --- a keyboard ----------------------------------------------------------------------------------


def keyboard_missing() -> str:
    if not sys.platform.startswith("linux"):
        return "the virtual display is for Linux"
    absent = [program for program in ("Xvfb", "xdotool") if shutil.which(program) is None]
    if absent:
        return f"not installed: {', '.join(absent)}"
    # Importing it needs the display.
    return "" if importlib.util.find_spec("pynput") else "the extra 'pedal' is not installed"


on_a_display = [
    pytest.mark.display,
    pytest.mark.skipif(bool(keyboard_missing()), reason=keyboard_missing()),
]


def display(test: Callable[..., None]) -> Callable[..., None]:
    for mark in on_a_display:
        test = mark(test)
    return test


class Keyboard:
    """A virtual display whose keys are pressed by a program, with a pedal that watches them."""

    def __init__(self) -> None:
        self.events: list[PedalEvent] = []

    def press(self, *words: str) -> None:
        subprocess.run(["xdotool", *words], check=True)

    def log(self, count: int) -> list[tuple[str, bool]]:
        """Return what came, once there is so much, and what may come too much had time to."""
        wait_until(lambda: len(self.events) >= count, f"event {count}", limit_s=60.0)
        time.sleep(0.15)
        return [(event.action, event.pressed) for event in self.events]


@contextlib.contextmanager
def virtual_display() -> Iterator[subprocess.Popen[bytes]]:
    receive, give = os.pipe()
    server = subprocess.Popen(
        ["Xvfb", "-displayfd", str(give), "-screen", "0", "320x240x24", "-nolisten", "tcp", "-noreset"],
        pass_fds=[give],
        stderr=subprocess.DEVNULL,
    )
    os.close(give)
    with os.fdopen(receive) as number, pytest.MonkeyPatch.context() as patch:
        patch.setenv("DISPLAY", f":{number.readline().strip()}")
        patch.delenv("WAYLAND_DISPLAY", raising=False)
        yield server
    server.kill()
    server.wait()


@pytest.fixture(scope="module")
def screen() -> Iterator[None]:
    with virtual_display():
        yield


@pytest.fixture
def keyboard(screen: None) -> Iterator[Keyboard]:
    from checkback.hearing.pedals.keyboard import KeyboardPedal

    keyboard = Keyboard()
    pedal: Pedal = KeyboardPedal(keyboard.events.append, DEFAULTS)
    assert pedal.watching
    yield keyboard
    pedal.close()
    assert not pedal.watching


@display
def test_holding_to_talk_is_one_press_and_one_release(keyboard: Keyboard) -> None:
    before_s = time.monotonic()
    keyboard.press("keydown", "F6")
    pressed_s = time.monotonic()
    time.sleep(1.2)  # long enough for the display to repeat the key
    assert keyboard.log(1) == [("talk", True)]
    releasing_s = time.monotonic()
    keyboard.press("keyup", "F6")
    released_s = time.monotonic()
    assert keyboard.log(2) == [("talk", True), ("talk", False)]
    down, up = keyboard.events
    # the moment is the one at which the display tells of it, which may be busy
    assert before_s <= down.at_s < pressed_s + 0.5
    assert releasing_s <= up.at_s < released_s + 0.5


@display
def test_each_key_has_its_action_and_other_keys_have_none(keyboard: Keyboard) -> None:
    keyboard.press("key", "a", "F7", "Return", "F8", "F9", "Shift")
    assert [action for action, pressed in keyboard.log(3) if pressed] == ["affirm", "withdraw", "mark"]


@display
def test_a_key_that_bounces_counts_once(screen: None) -> None:
    from checkback.hearing.pedals.keyboard import KeyboardPedal

    keyboard = Keyboard()
    # longer than it would be in use: this computer may be busy between the two presses
    pedal = KeyboardPedal(keyboard.events.append, DEFAULTS, timing=Timing(bounce_s=0.4))
    keyboard.press("keydown", "F7", "keyup", "F7", "keydown", "F7", "keyup", "F7")
    assert keyboard.log(1) == [("affirm", True)]
    pedal.close()


@display
def test_two_presses_count_twice(keyboard: Keyboard) -> None:
    keyboard.press("key", "F7")
    assert keyboard.log(1) == [("affirm", True)]
    keyboard.press("key", "F7")
    assert keyboard.log(2) == [("affirm", True)] * 2


@display
def test_letting_go_of_the_keys_releases_what_is_held(screen: None) -> None:
    from checkback.hearing.pedals.keyboard import KeyboardPedal

    keyboard = Keyboard()
    keys = {"b": "talk", "page_down": "mark", "<65437>": "affirm"}
    pedal = KeyboardPedal(keyboard.events.append, bindings_of(keys))
    keyboard.press("keydown", "b", "key", "Next")
    assert keyboard.log(2) == [("talk", True), ("mark", True)]
    pedal.close()
    assert keyboard.log(3)[2:] == [("talk", False)]
    keyboard.press("keyup", "b", "key", "b")
    assert len(keyboard.log(3)) == 3


@display
def test_a_display_that_goes_away_does_not_leave_the_talk_key_held() -> None:
    with virtual_display() as server:
        from checkback.hearing.pedals.keyboard import KeyboardPedal

        keyboard = Keyboard()
        notices: list[PedalNotice] = []
        pedal = KeyboardPedal(keyboard.events.append, DEFAULTS, on_notice=notices.append)
        keyboard.press("keydown", "F6")
        assert keyboard.log(1) == [("talk", True)]
        server.kill()
        assert keyboard.log(2) == [("talk", True), ("talk", False)]
        assert not pedal.watching
        wait_until(lambda: bool(notices), "the notice", limit_s=60.0)
        pedal.close()
        assert [notice.state for notice in notices] == ["lost"]
        assert "start the program again" in notices[0].what


@display
def test_a_key_that_is_down_at_the_start_counts_only_after_it_came_up(screen: None) -> None:
    from checkback.hearing.pedals.keyboard import KeyboardPedal

    keyboard = Keyboard()
    keyboard.press("keydown", "F6", "keydown", "Next")
    notices: list[PedalNotice] = []
    pedal = KeyboardPedal(
        keyboard.events.append,
        bindings_of({"f6": "talk", "f7": "mark", "page_down": "affirm", "b": "card"}),
        on_notice=notices.append,
    )
    assert [notice.state for notice in notices] == ["stuck"]
    assert "f6, page_down is down" in notices[0].what
    time.sleep(0.8)  # long enough for the display to repeat the key
    keyboard.press("key", "F7", "b")
    assert keyboard.log(2) == [("mark", True), ("card", True)]
    keyboard.press("keyup", "F6", "keyup", "Next")
    wait_until(lambda: len(notices) > 1, "that they are up", limit_s=60.0)
    keyboard.press("keydown", "F6")
    assert keyboard.log(3)[2:] == [("talk", True)]
    keyboard.press("keyup", "F6")
    assert keyboard.log(4)[3:] == [("talk", False)]
    assert [notice.state for notice in notices] == ["stuck", "free"]
    pedal.close()


@display
def test_taps_double_taps_and_long_presses_of_one_key(screen: None) -> None:
    from checkback.hearing.pedals.keyboard import KeyboardPedal

    keyboard = Keyboard()
    bound = {
        "f7": {"tap": "affirm", "double": "withdraw", "long": "clock"},
        "f6": {"hold": "talk", "double": "mark"},
    }
    # slower than it would be in use: this computer may be busy between the presses
    slow = Timing(tap_s=0.6, double_s=1.2)
    pedal = KeyboardPedal(keyboard.events.append, bindings_of(bound), timing=slow)
    keyboard.press("key", "F7")
    assert keyboard.log(1) == [("affirm", True)]
    keyboard.press("key", "F7", "sleep", "0.1", "key", "F7")
    assert keyboard.log(2)[1:] == [("withdraw", True)]
    keyboard.press("keydown", "F7")
    assert keyboard.log(3)[2:] == [("clock", True)]
    keyboard.press("keyup", "F7", "key", "F6", "sleep", "0.1", "key", "F6")
    assert keyboard.log(8)[3:] == [("talk", True), ("talk", False)] * 2 + [("mark", True)]
    pedal.close()


@display
def test_a_key_or_an_action_that_is_not_known_is_named(screen: None) -> None:
    from checkback.hearing.pedals.keyboard import KeyboardPedal

    with pytest.raises(UserError, match='key "pedal" is not known: use a name like "f6"'):
        KeyboardPedal(print, bindings_of({"pedal": "talk"}))
    with pytest.raises(UserError, match='no pedal action "shout"'):
        KeyboardPedal(print, bindings_of({"f6": "shout"}))


def said_in_another_process(environment: dict[str, str]) -> str:
    program = (
        "from checkback.errors import UserError\n"
        "from checkback.hearing.pedals.keyboard import KeyboardPedal\n"
        "try: KeyboardPedal(print, {})\n"
        "except UserError as error: print(error)\n"
    )
    clean = {k: v for k, v in os.environ.items() if k not in ("DISPLAY", "WAYLAND_DISPLAY", "PYNPUT_BACKEND")}
    return subprocess.run(
        [sys.executable, "-c", program],
        env={**clean, **environment},
        stdout=subprocess.PIPE,
        text=True,
        check=True,
    ).stdout


@pytest.mark.skipif(bool(keyboard_missing()), reason=keyboard_missing())
def test_without_a_display_is_one_clear_sentence() -> None:
    said = said_in_another_process({})
    assert said.startswith("The pedal's keys cannot be watched without a display: start the program on")
    assert said.count("\n") == 1
    assert said_in_another_process({"DISPLAY": ":997"}) == said


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="Wayland is for Linux")
def test_under_wayland_is_one_clear_sentence() -> None:
    said = said_in_another_process({"WAYLAND_DISPLAY": "wayland-0"})
    assert (
        said
        == "The pedal's keys cannot be watched under Wayland: name the pedal's device with pedals.device, or log in to an X11 session.\n"
    )
