"""The voice does not begin while somebody is speaking to it."""

from __future__ import annotations

from io import StringIO

from checkback.listening import PATIENCE_S, PoliteVoice
from checkback.speaking.voices import TextVoice


def test_it_speaks_at_once_in_a_quiet_room() -> None:
    screen = StringIO()
    PoliteVoice(TextVoice(screen, mark="")).say("time out")
    assert screen.getvalue() == "time out\n"


def test_it_waits_until_the_speaker_has_finished() -> None:
    screen = StringIO()
    voice = PoliteVoice(TextVoice(screen, mark=""))
    voice.follow(True, 10.0)
    voice.say("time out")
    voice.follow(True, 10.5)
    assert screen.getvalue() == ""
    voice.follow(False, 11.0)
    assert screen.getvalue() == "time out\n"


def test_it_does_not_wait_for_ever() -> None:
    screen = StringIO()
    voice = PoliteVoice(TextVoice(screen, mark=""))
    voice.follow(True, 10.0)
    voice.say("time out")
    voice.follow(True, 10.0 + PATIENCE_S + 0.1)
    assert screen.getvalue() == "time out\n"


def test_stop_drops_what_waits_and_close_says_it() -> None:
    screen = StringIO()
    voice = PoliteVoice(TextVoice(screen, mark=""))
    voice.follow(True, 10.0)
    voice.say("dropped")
    voice.stop()
    voice.say("kept")
    voice.close()
    assert screen.getvalue() == "kept\n"
