"""A child process that hosts one recogniser, and that may die or hang without harm.

Decoders hold the interpreter's lock while they work, can crash the process they run in and have
no time limit of their own.  So each lives in a process by itself.
"""

from __future__ import annotations

import multiprocessing
import signal
import threading
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from multiprocessing.connection import Connection
from multiprocessing.context import SpawnProcess
from typing import Generic, TypeVar

from checkback.errors import UserError

Question = TypeVar("Question")
Answer = TypeVar("Answer")

START_LIMIT_S = 60.0
ANSWER_LIMIT_S = 20.0
ATTEMPTS = 2


class _WorkerError(Exception):
    """The child died, broke or was stopped at its time limit."""


def _host(make: Callable[[], Callable[[Question], Answer]], connection: Connection) -> None:
    """Run in the child: make the function, then answer until the parent is gone."""
    # Ctrl-C reaches the whole group; the parent decides when the child ends.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        try:
            function = make()
        except UserError as error:
            connection.send(("unusable", str(error)))
            return
        connection.send(("ready", None))
        while True:
            connection.send(("answer", function(connection.recv())))
    except (EOFError, OSError):
        # The parent closed its end or died.
        return


class Worker(Generic[Question, Answer]):
    """One function in a child process.

    Parameters
    ----------
    make : callable
        Called without arguments in the child; returns the function that answers.  It must be
        importable there: a module-level function or a `functools.partial` of one.
    name : str
        Name of the process and its thread.
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
        answer_limit_s: float = ANSWER_LIMIT_S,
        start_limit_s: float = START_LIMIT_S,
    ) -> None:
        self._make = make
        self._name = name
        self._answer_limit_s = answer_limit_s
        self._start_limit_s = start_limit_s
        self._process: SpawnProcess | None = None
        self._connection: Connection | None = None
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
            Its result is the answer, or None if the child failed twice.  It is settled within
            two times the two limits, and never raises.
        """
        return self._thread.submit(self._answer, question)

    def ask(self, question: Question) -> Answer | None:
        """Return the answer to `question`, or None if the child failed twice."""
        return None if self._closed else self.submit(question).result()

    def close(self) -> None:
        """End the child, even in the middle of an answer."""
        self._closed = True
        self._end()
        self._thread.shutdown(wait=True, cancel_futures=True)
        self._end()

    def _answer(self, question: Question) -> Answer | None:
        for _ in range(ATTEMPTS):
            if self._closed:
                return None
            try:
                if self._process is None:
                    self._start()
                return self._exchange(question)
            except (_WorkerError, UserError):
                self.failures += 1
        return None

    def _start(self) -> None:
        context = multiprocessing.get_context("spawn")
        self._connection, far_end = context.Pipe()
        self._process = context.Process(
            target=_host, args=(self._make, far_end), name=self._name, daemon=True
        )
        self._process.start()
        far_end.close()
        kind, told = self._within(self._start_limit_s, lambda connection: connection.recv())
        if kind == "unusable":
            self._end()
            raise UserError(told)

    def _exchange(self, question: Question) -> Answer:
        def talk(connection: Connection) -> tuple[str, Answer]:
            connection.send(question)
            reply: tuple[str, Answer] = connection.recv()
            return reply

        return self._within(self._answer_limit_s, talk)[1]

    def _within(self, limit_s: float, talk: Callable[[Connection], tuple[str, Answer]]) -> tuple[str, Answer]:
        """Talk to the child, which is killed at the time limit, so that no call blocks for ever."""
        process, connection = self._process, self._connection
        if process is None or connection is None:
            raise _WorkerError
        watchdog = threading.Timer(limit_s, process.kill)
        watchdog.daemon = True
        watchdog.start()
        try:
            return talk(connection)
        except (EOFError, OSError) as error:
            self._end()
            raise _WorkerError from error
        finally:
            watchdog.cancel()

    def _end(self) -> None:
        process, connection = self._process, self._connection
        self._process = self._connection = None
        if process is not None:
            process.kill()
            process.join()
        if connection is not None:
            connection.close()
