"""A child process that hosts one recogniser, and that may die or hang without harm.

Decoders hold the interpreter's lock while they work, can crash the process they run in and have
no time limit of their own.  So each lives in a process by itself.

Parent and child talk in pickles over the child's standard input and output.  The child is a fresh
interpreter that imports what it is asked for and nothing else: `multiprocessing` would import the
parent's main script again, which starts children without end if that script has no main guard.
"""

from __future__ import annotations

import gc
import os
import pickle
import signal
import subprocess
import sys
import threading
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import suppress
from typing import Any, Generic, TypeVar

from checkback.errors import UserError

Question = TypeVar("Question")
Answer = TypeVar("Answer")

START_LIMIT_S = 60.0
ANSWER_LIMIT_S = 20.0
ATTEMPTS = 2


class _WorkerError(Exception):
    """The child died, broke or was stopped at its time limit."""


# Given the parent's search path as arguments, so that the child finds what the parent finds.
_CHILD = "import sys; sys.path[:] = sys.argv[1:]; from checkback.hearing.worker import serve_parent; serve_parent()"


def serve_parent() -> None:
    """Run in the child: make the function, then answer until the parent is gone."""
    # Ctrl-C reaches the whole group; the parent decides when the child ends.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    questions = sys.stdin.buffer
    # What a library prints must not end up between the answers.
    answers = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)

    def send(kind: str, content: Any) -> None:
        pickle.dump((kind, content), answers, pickle.HIGHEST_PROTOCOL)
        answers.flush()

    try:
        try:
            function = pickle.load(questions)()
        except UserError as error:
            send("unusable", str(error))
            return
        # What was made stays: to look through it for rubbish again and again would hold up answers.
        gc.collect()
        gc.freeze()
        send("ready", None)
        while True:
            send("answer", function(pickle.load(questions)))
    except (EOFError, OSError):
        # The parent closed its end or died; nothing is left to be flushed to it.
        os._exit(0)


class Worker(Generic[Question, Answer]):
    """One function in a child process.

    Parameters
    ----------
    make : callable
        Called without arguments in the child; returns the function that answers.  It must be
        importable there: a module-level function or a `functools.partial` of one.
    name : str
        What it is called in messages; also the name of its thread.
    remedy : str
        What the user can do if the child does not start.
    answer_limit_s, start_limit_s : float
        Longest time for one answer and for starting; a child that takes longer is killed.

    Raises
    ------
    UserError
        If `make` raised it in the child, or the child did not start.
    """

    def __init__(
        self,
        make: Callable[[], Callable[[Question], Answer]],
        *,
        name: str,
        remedy: str = "close other programs and try again",
        answer_limit_s: float | None = None,
        start_limit_s: float = START_LIMIT_S,
    ) -> None:
        self._make = make
        self._name = name
        self._answer_limit_s = ANSWER_LIMIT_S if answer_limit_s is None else answer_limit_s
        self._start_limit_s = start_limit_s
        self._process: subprocess.Popen[bytes] | None = None
        self._closed = False
        self.failures = 0
        # All traffic with the child passes through this one thread, in order.
        self._thread = ThreadPoolExecutor(1, thread_name_prefix=name)
        try:
            self._thread.submit(self._start).result()
        except _WorkerError as failure:
            self.close()
            raise UserError(
                f"The recogniser {name} ended or was not ready within {start_limit_s:g} s: {remedy}."
            ) from failure
        except UserError:
            self.close()
            raise

    @property
    def pid(self) -> int | None:
        """Process id of the child, or None while there is none."""
        process = self._process
        return process.pid if process is not None else None

    def submit(self, question: Question) -> Future[Answer | None]:
        """Hand over `question` and return at once.

        Returns
        -------
        Future
            Its result is the answer, or None if the child failed twice or was closed.  It is
            settled within two times the two limits, and never raises.
        """
        try:
            return self._thread.submit(self._answer, question)
        except RuntimeError:
            # closed, perhaps just now by another thread
            settled: Future[Answer | None] = Future()
            settled.set_result(None)
            return settled

    def ask(self, question: Question) -> Answer | None:
        """Return the answer to `question`, or None if the child failed twice or was closed."""
        return self.submit(question).result()

    def close(self) -> None:
        """End the child, even in the middle of an answer."""
        self._closed = True
        self._end()
        # those that wait in the queue are not cancelled but answered with None, which takes no time
        self._thread.shutdown(wait=True)
        self._end()

    def _answer(self, question: Question) -> Answer | None:
        for _ in range(ATTEMPTS):
            if self._closed:
                return None
            try:
                if self._process is None:
                    self._start()
                if self._closed:
                    # while it was starting
                    self._end()
                    return None
                return self._exchange(question)
            except (_WorkerError, UserError):
                self.failures += 1
        return None

    def _start(self) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-c", _CHILD, *sys.path],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            # matrices here are small, and something else wants the other processors
            env={"OPENBLAS_NUM_THREADS": "1", **os.environ},
        )
        kind, told = self._within(self._start_limit_s, self._make)
        if kind == "unusable":
            self._end()
            raise UserError(told)

    def _exchange(self, question: Question) -> Answer:
        answer: Answer = self._within(self._answer_limit_s, question)[1]
        return answer

    def _within(self, limit_s: float, content: Any) -> tuple[str, Any]:
        """Send and receive once; the child is killed at the time limit, so that no call blocks for ever."""
        process = self._process
        if process is None:
            raise _WorkerError
        assert process.stdin is not None and process.stdout is not None
        watchdog = threading.Timer(limit_s, process.kill)
        watchdog.daemon = True
        watchdog.start()
        try:
            process.stdin.write(pickle.dumps(content, pickle.HIGHEST_PROTOCOL))
            process.stdin.flush()
            reply: tuple[str, Any] = pickle.load(process.stdout)
            return reply
        except (EOFError, OSError, ValueError, pickle.UnpicklingError) as error:
            # ValueError: `close` took the pipes away meanwhile.
            self._end()
            raise _WorkerError from error
        finally:
            watchdog.cancel()

    def _end(self) -> None:
        process, self._process = self._process, None
        if process is None:
            return
        process.kill()
        process.wait()
        for pipe in (process.stdin, process.stdout):
            # What a dead child did not take cannot be flushed.
            with suppress(OSError):
                if pipe is not None:
                    pipe.close()
