"""A recogniser's process may die or hang; the program goes on and never hangs with it."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

import pytest

from checkback.errors import UserError
from checkback.hearing.worker import Worker


def make_echo(folder: Path) -> Callable[[str], str]:
    """Answer with the question, but for those that are orders to misbehave."""

    def echo(question: str) -> str:
        order, _, rest = question.partition(" ")
        mark = folder / rest
        if order == "die":
            os.kill(os.getpid(), signal.SIGSEGV)
        elif order == "die-once" and not mark.exists():
            mark.touch()
            os._exit(3)
        elif order == "hang":
            time.sleep(600)
        elif order == "raise":
            raise ValueError(rest)
        elif order == "print":
            os.write(1, b"a library says something\n")
            print("and again", flush=True)
        return question

    return echo


def make_nothing() -> Callable[[str], str]:
    raise UserError("The model is broken: copy it again.")


def make_crash() -> Callable[[str], str]:
    os._exit(1)


@pytest.fixture
def worker(tmp_path: Path) -> Iterator[Worker[str, str]]:
    worker: Worker[str, str] = Worker(partial(make_echo, tmp_path), name="echo")
    yield worker
    worker.close()


@pytest.fixture
def hasty(tmp_path: Path) -> Iterator[Worker[str, str]]:
    worker: Worker[str, str] = Worker(partial(make_echo, tmp_path), name="echo", answer_limit_s=1.5)
    yield worker
    worker.close()


def test_it_answers_in_order(worker: Worker[str, str]) -> None:
    later = [worker.submit(f"question {n}") for n in range(5)]
    assert [each.result(timeout=10) for each in later] == [f"question {n}" for n in range(5)]
    assert worker.ask("x" * 1_000_000) == "x" * 1_000_000
    assert worker.failures == 0


def test_what_a_library_prints_does_not_end_up_in_the_answers(worker: Worker[str, str]) -> None:
    assert worker.ask("print it") == "print it"
    assert worker.ask("next") == "next"
    assert worker.failures == 0


def test_a_death_costs_a_second_attempt_and_nothing_else(worker: Worker[str, str]) -> None:
    first = worker.pid
    assert worker.ask("die-once mark") == "die-once mark"
    assert worker.failures == 1
    assert worker.pid != first


@pytest.mark.parametrize("order", ["die", "hang", "raise no"])
def test_what_always_fails_has_no_answer_and_the_next_one_has(hasty: Worker[str, str], order: str) -> None:
    assert hasty.ask(order) is None
    assert hasty.failures == 2
    assert hasty.ask("still there") == "still there"


def test_a_stopped_child_cannot_block_a_long_question(hasty: Worker[str, str]) -> None:
    assert hasty.pid is not None
    os.kill(hasty.pid, signal.SIGSTOP)
    question = "x" * 1_000_000  # more than fits into the pipe
    assert hasty.ask(question) == question
    assert hasty.failures == 1


def test_closing_ends_the_child_in_the_middle_of_an_answer(worker: Worker[str, str]) -> None:
    pid = worker.pid
    answer = worker.submit("hang")
    worker.close()
    assert answer.result(timeout=60) is None
    assert worker.ask("anyone") is None
    assert pid is not None
    with pytest.raises(ProcessLookupError):
        os.kill(pid, 0)


def test_questions_that_wait_when_it_is_closed_are_answered_with_nothing(worker: Worker[str, str]) -> None:
    waiting = [worker.submit("hang"), *(worker.submit("anyone") for _ in range(20_000))]
    worker.close()
    assert [each.result(timeout=60) for each in waiting] == [None] * 20_001


def test_what_is_wrong_in_the_child_is_told_in_the_parent() -> None:
    with pytest.raises(UserError, match="The model is broken"):
        Worker(make_nothing, name="echo")
    with pytest.raises(UserError, match=r"echo ended or was not ready.*: buy a new one"):
        Worker(make_crash, name="echo", remedy="buy a new one")


def test_the_child_ends_when_its_parent_is_killed(tmp_path: Path) -> None:
    script = tmp_path / "parent.py"
    script.write_text(
        "import sys, time\n"
        f"sys.path.insert(0, {str(Path(__file__).parent)!r})\n"
        "from functools import partial\n"
        "from pathlib import Path\n"
        "from test_hearing_worker import make_echo\n"
        "from checkback.hearing.worker import Worker\n"
        "worker = Worker(partial(make_echo, Path('.')), name='echo')\n"
        "print(worker.pid, flush=True)\n"
        "time.sleep(60)\n"
    )
    parent = subprocess.Popen([sys.executable, str(script)], stdout=subprocess.PIPE, text=True)
    assert parent.stdout is not None
    child = int(parent.stdout.readline())
    parent.kill()
    parent.wait()
    parent.stdout.close()
    deadline = time.monotonic() + 60
    while Path(f"/proc/{child}").exists() and time.monotonic() < deadline:
        time.sleep(0.05)
    status = Path(f"/proc/{child}/status")
    assert not status.exists() or "zombie" in status.read_text()


def test_a_script_without_a_main_guard_starts_one_child(tmp_path: Path) -> None:
    script = tmp_path / "plain.py"
    script.write_text(
        "from checkback.hearing.pocketsphinx import PocketSphinxRecogniser\n"
        "from checkback.hearing.recogniser import Grammar\n"
        "print('imported')\n"
        "recogniser = PocketSphinxRecogniser(Grammar(((0, 1, 'one'),), 0, 1, {}, (), ''))\n"
        "print('works')\n"
        "recogniser.close()\n"
    )
    done = subprocess.run(
        [sys.executable, "-W", "error", str(script)], capture_output=True, text=True, timeout=60, check=False
    )
    assert (done.stdout, done.stderr) == ("imported\nworks\n", "")
