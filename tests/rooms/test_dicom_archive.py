"""C-STORE to real archives: dcmtk's storescp and dcmqrscp as processes of their own."""

from __future__ import annotations

import os
import random
import select
import shutil
import signal
import socket
import subprocess
import sys
import sysconfig
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from pydicom import dcmread
from pynetdicom.acse import ACSE

from checkback.errors import UserError
from checkback.record.case import Case
from checkback.record.journal import Journal, Written
from checkback.reporting.dicom.log import carried, dataset, file_bytes
from checkback.reporting.dicom.reading import read_log
from checkback.sending import dicom
from checkback.sending.dicom import archive, deliver, tls_options
from checkback.sending.outbox import Outbox, Outcome
from command_line import checkback, here
from invented_case import CASE

# pynetdicom brings a program of that name too, which stands first in an activated environment
_OURS = Path(sysconfig.get_path("scripts"))
STORESCP = shutil.which(
    "storescp", path=os.pathsep.join(p for p in os.get_exec_path() if Path(p).resolve() != _OURS.resolve())
)
pytestmark = pytest.mark.skipif(STORESCP is None, reason="the Debian package dcmtk is not installed")
LOG = file_bytes(dataset(Case(CASE), lambda e: e.words))


def free_port() -> int:
    """Return a port that nobody has, and that the system gives to nobody who asks for any."""
    while True:
        port = random.randrange(10_240, 32_768)  # below the range of Linux, ip_local_port_range
        with socket.socket() as s, suppress(OSError):
            s.bind(("127.0.0.1", port))
            return port


@contextmanager
def process(*command: str | Path, port: int, cwd: Path | None = None) -> Iterator[subprocess.Popen[bytes]]:
    """Run a server until it listens, and end it afterwards."""
    running = subprocess.Popen(
        list(map(str, command)), cwd=cwd, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    try:
        until = time.monotonic() + 60
        while not listens(port):
            assert running.poll() is None, f"{command[0]} ended with {running.returncode}"
            assert time.monotonic() < until, f"{command[0]} does not listen"
            time.sleep(0.02)
        yield running
    finally:
        running.kill()
        running.wait(timeout=10)


def listens(port: int) -> bool:
    # looked up, not tried: a connection would count as one
    wanted = f":{port:04X} "
    tables = (Path("/proc/net/tcp"), Path("/proc/net/tcp6"))
    lines = [line for t in tables if t.exists() for line in t.read_text().splitlines()[1:]]
    return any(wanted in line.split(maxsplit=2)[1] + " " and line.split()[3] == "0A" for line in lines)


@contextmanager
def storescp(folder: Path, *options: str | Path, port: int | None = None) -> Iterator[str]:
    """Run dcmtk's archive and yield where it is."""
    port = port or free_port()
    folder.mkdir(exist_ok=True)
    assert STORESCP is not None
    with process(STORESCP, "-aet", "ARCHIVE", "-od", folder, *options, port, port=port):
        yield f"ARCHIVE@127.0.0.1:{port}"


class Clock:
    """Tells what it was set to."""

    def __init__(self) -> None:
        self.now = datetime(2026, 3, 2, 10, 0, tzinfo=UTC)

    def __call__(self) -> datetime:
        return self.now


def box(tmp_path: Path, clock: Clock | None = None) -> Outbox:
    return Outbox(tmp_path / "outbox", now=clock or Clock())


def try_once(outbox: Outbox, again: bool = False) -> Outcome:
    (outcome,) = outbox.deliver({"dicom": deliver}, again=again)
    return outcome


def queue(outbox: Outbox, to: str, **options: str) -> None:
    outbox.add("dicom", to, LOG, title="log", options=options)


# --- success -------------------------------------------------------------------------------------


@pytest.mark.outside
@pytest.mark.parametrize("option", ["+xe", "+xi"], ids=["explicit", "implicit"])
def test_what_the_archive_keeps_reads_back_equal(tmp_path: Path, option: str) -> None:
    with storescp(tmp_path / "kept", option) as to:
        outbox = box(tmp_path)
        queue(outbox, to)
        outcome = try_once(outbox)
    assert (outcome.delivered, outcome.said) == (True, f"stored by {to}")
    assert outbox.items() == []
    (kept,) = (tmp_path / "kept").iterdir()
    (tmp_path / "sent.dcm").write_bytes(LOG)
    sent, back = dcmread(tmp_path / "sent.dcm"), dcmread(kept)
    assert back == sent
    assert read_log(kept) == read_log(tmp_path / "sent.dcm")


@pytest.mark.outside
def test_through_tls_the_certificate_of_the_archive_is_checked(tmp_path: Path) -> None:
    if shutil.which("openssl") is None:
        pytest.skip("openssl is not installed")
    key, certificate, other = (tmp_path / name for name in ("key.pem", "cert.pem", "other.pem"))
    for cert in (certificate, other):
        make = "openssl req -x509 -newkey rsa:2048 -nodes -days 2 -subj /CN=127.0.0.1 -addext subjectAltName=IP:127.0.0.1"
        subprocess.run(
            [
                *make.split(),
                "-keyout",
                str(key if cert is certificate else tmp_path / "k"),
                "-out",
                str(cert),
            ],
            check=True,
            capture_output=True,
            timeout=30,
        )
    with storescp(tmp_path / "kept", "+tls", key, certificate, "-ic") as to:
        outbox = box(tmp_path)
        queue(outbox, to, **tls_options(other, None, None))
        assert not try_once(outbox).delivered
        queue(outbox, to, **tls_options(certificate, None, None))
        assert try_once(outbox).delivered
    assert len(list((tmp_path / "kept").iterdir())) == 1


def test_a_certificate_that_is_not_there_is_named_before_anything_is_queued(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="TLS cannot be set up"):
        tls_options(tmp_path / "none.pem", None, None)


# --- refusals ------------------------------------------------------------------------------------


@pytest.mark.outside
def test_a_refused_association_is_told_and_the_log_stays_queued(tmp_path: Path) -> None:
    with storescp(tmp_path / "kept", "--refuse") as to:
        outbox = box(tmp_path)
        queue(outbox, to)
        outcome = try_once(outbox)
    assert not outcome.delivered and f"{to} rejected us" in outcome.said
    assert [item.attempts for item in outbox.items()] == [1]


@pytest.mark.outside
def test_a_rejection_that_comes_before_the_library_looks_is_told_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    requested = ACSE.send_request

    def late(acse: ACSE) -> None:
        requested(acse)
        acse.dul.join(timeout=20)

    monkeypatch.setattr(ACSE, "send_request", late)
    with storescp(tmp_path / "kept", "--refuse") as to:
        outbox = box(tmp_path)
        queue(outbox, to)
        outcome = try_once(outbox)
    assert f"{to} rejected us" in outcome.said


@contextmanager
def dcmqrscp(folder: Path) -> Iterator[int]:
    """Run dcmtk's image archive, which knows titles: its own is ARCHIVE, ours is CHECKBACK."""
    port = free_port()
    (folder / "db").mkdir(parents=True)
    (folder / "qr.cfg").write_text(
        f"""NetworkTCPPort = {port}
MaxPDUSize = 16384
MaxAssociations = 4
HostTable BEGIN
us = (CHECKBACK, localhost, 11113)
HostTable END
VendorTable BEGIN
VendorTable END
AETable BEGIN
ARCHIVE {folder / "db"} RW (10, 10mb) us
AETable END
"""
    )
    with process("dcmqrscp", "-c", folder / "qr.cfg", port=port):
        yield port


@pytest.mark.outside
def test_the_wrong_title_is_refused_for_good_and_says_what_to_mend(tmp_path: Path) -> None:
    with dcmqrscp(tmp_path / "qr") as port:
        outbox = box(tmp_path)
        queue(outbox, f"ARCHIV@127.0.0.1:{port}")
        outcome = try_once(outbox)
    assert not outcome.delivered
    assert "it goes by another title: mend the part before the @" in outcome.said
    assert [item.refused for item in outbox.items()] == [True]
    assert list(outbox.deliver({"dicom": deliver})) == []


# --- lost links ----------------------------------------------------------------------------------


@pytest.mark.outside
@pytest.mark.parametrize("when", ["--abort-after", "--abort-during"])
def test_an_archive_that_aborts_while_it_takes_the_log_leaves_it_queued(tmp_path: Path, when: str) -> None:
    with storescp(tmp_path / "kept", when) as to:
        outbox = box(tmp_path)
        queue(outbox, to)
        outcome = try_once(outbox)
    assert not outcome.delivered and not outcome.item.refused
    assert len(outbox.items()) == 1


# pynetdicom leaves a socket that never got a connection to the garbage collector
@pytest.mark.filterwarnings("ignore:unclosed <socket:ResourceWarning")
@pytest.mark.filterwarnings("ignore:Exception ignored in. <socket:pytest.PytestUnraisableExceptionWarning")
def test_nobody_there_is_a_failure_that_is_tried_again(tmp_path: Path) -> None:
    outbox = box(tmp_path)
    queue(outbox, f"ARCHIVE@127.0.0.1:{free_port()}")
    outcome = try_once(outbox)
    assert not outcome.delivered and not outcome.item.refused
    assert "cannot be reached" in outcome.said


@contextmanager
def dropping(after_bytes: int) -> Iterator[int]:
    """Listen, take so many bytes and hang up."""
    with socket.socket() as server, ExitStack() as stack:
        server.bind(("127.0.0.1", 0))
        server.listen()

        def serve() -> None:
            connection, _ = server.accept()
            with connection:
                if after_bytes:
                    connection.recv(after_bytes)

        thread = threading.Thread(target=serve, daemon=True)
        thread.start()
        stack.callback(thread.join, 10)
        yield int(server.getsockname()[1])


@pytest.mark.parametrize("after_bytes", [0, 64])
def test_a_line_that_drops_in_the_handshake_is_tried_again(tmp_path: Path, after_bytes: int) -> None:
    with dropping(after_bytes) as port:
        outbox = box(tmp_path)
        queue(outbox, f"ARCHIVE@127.0.0.1:{port}")
        outcome = try_once(outbox)
    assert not outcome.delivered and not outcome.item.refused


def test_an_archive_that_never_answers_is_given_up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(dicom, "CONNECT_S", 0.5)
    with socket.socket() as silent:
        silent.bind(("127.0.0.1", 0))
        silent.listen()
        outbox = box(tmp_path)
        queue(outbox, f"ARCHIVE@127.0.0.1:{silent.getsockname()[1]}")
        outcome = try_once(outbox)
    assert not outcome.delivered and not outcome.item.refused
    assert "does not answer" in outcome.said


@contextmanager
def line_to(archive_port: int, *, cut_after: int) -> Iterator[int]:
    """Run a line to an archive that is cut when so many bytes have gone there."""
    with socket.create_server(("127.0.0.1", free_port())) as server, ExitStack() as stack:

        def pass_on() -> None:
            near, _ = server.accept()
            with near, socket.create_connection(("127.0.0.1", archive_port)) as far:
                gone = 0
                while gone < cut_after:
                    for ready in select.select([near, far], [], [], 30)[0]:
                        data = ready.recv(1024)
                        if ready is near:
                            gone += len(data)
                            far.sendall(data)
                        else:
                            near.sendall(data)

        thread = threading.Thread(target=pass_on, daemon=True)
        thread.start()
        stack.callback(thread.join, 30)
        yield int(server.getsockname()[1])


@pytest.mark.outside
def test_a_line_cut_in_the_middle_of_the_log_delivers_it_whole_the_next_time(tmp_path: Path) -> None:
    clock = Clock()
    assert len(LOG) > 20_000
    with storescp(tmp_path / "kept") as to:
        real = archive(to).port
        with line_to(real, cut_after=10_000) as port:
            outbox = box(tmp_path, clock)
            queue(outbox, f"ARCHIVE@127.0.0.1:{port}")
            outcome = try_once(outbox)
            assert not outcome.delivered and not outcome.item.refused
        assert list(outbox.deliver({"dicom": deliver})) == []  # its time has not come
        clock.now += timedelta(hours=1)
        with socket.create_server(("127.0.0.1", port)) as back, ExitStack() as stack:
            thread = threading.Thread(target=forward, args=(back, real), daemon=True)
            thread.start()
            stack.callback(thread.join, 30)
            outcome = try_once(outbox)
    assert outcome.delivered and outcome.item.attempts == 2
    assert outbox.items() == []
    (kept,) = (tmp_path / "kept").iterdir()
    assert len(read_log(kept).entries) == len(carried(Case(CASE)))


def forward(server: socket.socket, to_port: int) -> None:
    """Pass one connection on until either side ends it."""
    near, _ = server.accept()
    with near, socket.create_connection(("127.0.0.1", to_port)) as far:
        other = {near: far, far: near}
        while True:
            for ready in select.select([near, far], [], [], 30)[0]:
                data = ready.recv(4096)
                if not data:
                    return
                other[ready].sendall(data)


@pytest.mark.outside
def test_an_archive_that_is_killed_gets_the_log_when_it_is_back(tmp_path: Path) -> None:
    clock, port = Clock(), free_port()
    outbox = box(tmp_path, clock)
    with storescp(tmp_path / "kept", "--sleep-during", "30", port=port) as to:
        queue(outbox, to)
        outcomes: list[Outcome] = []
        sender = threading.Thread(target=lambda: outcomes.append(try_once(outbox)))
        sender.start()
        until = time.monotonic() + 30
        while not any((tmp_path / "kept").iterdir()) and not connected(port):
            assert time.monotonic() < until
            time.sleep(0.02)
    sender.join(30)
    assert [outcome.delivered for outcome in outcomes] == [False]
    clock.now += timedelta(hours=1)
    with storescp(tmp_path / "kept", port=port):
        outcome = try_once(outbox)
    assert outcome.delivered and outcome.item.attempts == 2


def connected(port: int) -> bool:
    """Whether somebody has a connection to the port."""
    lines = Path("/proc/net/tcp").read_text().splitlines()[1:]
    return any(line.split()[1].endswith(f":{port:04X}") and line.split()[3] == "01" for line in lines)


@pytest.mark.outside
def test_a_sender_killed_while_it_sends_leaves_the_log_queued(tmp_path: Path) -> None:
    outbox = Outbox(tmp_path / "outbox")
    with socket.socket() as silent:
        port = free_port()
        silent.bind(("127.0.0.1", port))
        silent.listen()
        silent.settimeout(60)
        queue(outbox, f"ARCHIVE@127.0.0.1:{port}")
        program = (
            "import sys; from pathlib import Path; from checkback.sending.dicom import deliver; "
            "from checkback.sending.outbox import Outbox; list(Outbox(Path(sys.argv[1])).deliver({'dicom': deliver}))"
        )
        sender = subprocess.Popen([sys.executable, "-c", program, str(tmp_path / "outbox")])
        connection, _ = silent.accept()
        with connection:
            os.kill(sender.pid, signal.SIGKILL)
            sender.wait(timeout=10)
    assert [item.attempts for item in outbox.items()] == [1]
    with storescp(tmp_path / "kept", port=port):
        assert try_once(outbox, again=True).delivered
    assert len(list((tmp_path / "kept").iterdir())) == 1


# --- the command ---------------------------------------------------------------------------------


@pytest.fixture
def case(tmp_path: Path) -> Path:
    with Journal.open(tmp_path / "case") as journal:
        for entry in CASE:
            assert isinstance(journal.append(entry), Written)
    return tmp_path


@pytest.mark.outside
def test_a_case_waits_in_the_queue_until_the_archive_is_there(case: Path) -> None:
    port = free_port()
    to = f"ARCHIVE@127.0.0.1:{port}"
    first = checkback("send", "case", "--dicom", to, "--outbox", "outbox", cwd=case)
    assert first.code == 1, first.err
    assert "not delivered" in first.err and "cannot be reached" in first.err
    with storescp(case / "kept", port=port):
        later = checkback("send", "--again", "--outbox", "outbox", cwd=case)
    assert later.code == 0, later.err
    assert f"case: delivered, stored by {to}" in later.out
    (kept,) = (case / "kept").iterdir()
    assert [e.body for e in read_log(kept).entries] == [
        e.body for e in sorted(carried(Case(CASE)), key=lambda e: e.n)
    ]


@pytest.mark.outside
def test_a_case_sent_twice_is_kept_once_under_our_title(case: Path) -> None:
    with storescp(case / "kept") as to:
        for _ in range(2):
            done = checkback(
                "send", "case", "--dicom", to, "--calling", "LAB 1", "--outbox", "outbox", cwd=case
            )
            assert done.code == 0, done.err
    (kept,) = (case / "kept").iterdir()
    assert dcmread(kept).file_meta.SourceApplicationEntityTitle == "LAB 1"


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (["--dicom", "archive.example"], "TITLE@HOST:PORT"),
        (["--dicom", "A@127.0.0.1:104", "--calling", "a title that is far too long"], "1 to 16 characters"),
        (["--dicom", "A@127.0.0.1:104", "--tls", "--ca-file", "none.pem"], "TLS cannot be set up"),
        (["--dicom", "A@127.0.0.1:104", "--key", "key.pem"], "--tls"),
    ],
)
def test_what_is_wrong_is_told_before_anything_is_queued(case: Path, options: list[str], told: str) -> None:
    done = here("send", "case", *options, "--outbox", "outbox", cwd=case)
    assert done.code == 2
    assert told in " ".join(done.err.split())
    assert list((case / "outbox").glob("*.json")) == []


# --- addresses -----------------------------------------------------------------------------------


@pytest.mark.parametrize("text", ["ARCHIVE@archive.example:104", "OUR ARCHIVE@[::1]:11112"])
def test_an_address_is_title_host_and_port(text: str) -> None:
    assert str(archive(text)) == text


@pytest.mark.parametrize(
    "text",
    ["", "archive.example:104", "A@host", "A@host:0", "A@host:99999", "A" * 17 + "@host:104", " @host:104"],
)
def test_what_is_no_address_is_refused_with_an_example(text: str) -> None:
    with pytest.raises(UserError, match=r"TITLE@HOST:PORT|title"):
        archive(text)
