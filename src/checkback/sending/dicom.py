"""C-STORE: a DICOM file goes to an archive.

Source: PS3.4, annex B (storage service, table B.2-1 for the status codes); PS3.8, 9.3.4 (rejected
associations).
"""

from __future__ import annotations

import re
import ssl
from collections.abc import Mapping
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from checkback.errors import UserError
from checkback.sending.outbox import Item, Undelivered

if TYPE_CHECKING:
    from pydicom.dataset import Dataset
    from pynetdicom.association import Association
    from pynetdicom.pdu import A_ASSOCIATE_RJ

CALLING = "CHECKBACK"
"""Title that the program calls itself, unless told otherwise."""

CONNECT_S = 10.0
ANSWER_S = 30.0
"""Longest waits for a connection and for an answer; common practice, no source."""

_DESTINATION = re.compile(
    r"(?P<called>[^@]+)@(?:\[(?P<six>[0-9A-Fa-f:]+)\]|(?P<host>[^@:\[\]\s]+)):(?P<port>\d{1,5})"
)
_TITLE = re.compile(r"[ -\[\]-~]{1,16}")

_PERMANENT = 1
_WHY_REJECTED = {
    (1, 2): "it does not speak DICOM's application context",
    (1, 3): "it does not know our title: have it entered there, or give another with --calling",
    (1, 7): "it goes by another title: mend the part before the @",
    (2, 2): "it speaks another version of the protocol",
    (3, 1): "it is busy",
    (3, 2): "it has reached its limit of connections",
}
"""By source and diagnostic."""

_DUPLICATE = 0x0111
_WARNINGS = (0xB000, 0xB006, 0xB007)
_OUT_OF_RESOURCES = 0xA700
_BUSY = (0x0110, 0x0213)
"""Processing failure and resource limitation: may pass (PS3.7, annex C)."""


class Archive(NamedTuple):
    """Where logs go: the title that is called, host and port."""

    called: str
    host: str
    port: int

    def __str__(self) -> str:
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"{self.called}@{host}:{self.port}"


def archive(destination: str) -> Archive:
    """Read `TITLE@HOST:PORT`; an IPv6 address stands in square brackets.

    Raises
    ------
    UserError
        If it is not written so.
    """
    found = _DESTINATION.fullmatch(destination.strip())
    if found is None or not 0 < int(found["port"]) < 65_536:
        raise UserError(
            f"{destination}: not an archive; write it TITLE@HOST:PORT, such as ARCHIVE@192.0.2.7:11112"
        )
    return Archive(title(found["called"]), found["six"] or found["host"], int(found["port"]))


def title(text: str) -> str:
    """Return an application entity title without blanks around it (PS3.5, table 6.2-1: VR AE).

    Raises
    ------
    UserError
        If it is none.
    """
    if not _TITLE.fullmatch(text.strip()):
        raise UserError(
            f"'{text}': not an application entity title; it has 1 to 16 characters of ASCII, no backslash"
        )
    return text.strip()


def tls_options(ca: Path | None, certificate: Path | None, key: Path | None) -> dict[str, str]:
    """Return the options of an item that is to go through TLS.

    Parameters
    ----------
    ca : Path or None
        Certificates to trust; None: those of this computer.
    certificate, key : Path or None
        Our own, where the archive asks who calls.  The key itself stays in its file.

    Raises
    ------
    UserError
        If a file cannot be used.
    """
    options = {"tls": "yes"}
    given = {"tls_ca": ca, "tls_certificate": certificate, "tls_key": key}
    options |= {name: str(path.absolute()) for name, path in given.items() if path is not None}
    try:
        _tls(options)
    except (OSError, ValueError) as error:
        raise UserError(
            f"TLS cannot be set up ({getattr(error, 'strerror', None) or error}): check the files of certificates and key"
        ) from None
    return options


def deliver(item: Item, payload: bytes) -> str:
    """Store a DICOM file in an archive and return what it said.

    Parameters
    ----------
    item : Item
        `destination` is TITLE@HOST:PORT; of `options`, `calling` is our title and those that begin
        with `tls` are of `tls_options`.
    payload : bytes
        A DICOM file.

    Raises
    ------
    Undelivered
        `refused` if the archive would refuse the same again.
    """
    try:
        from pydicom import dcmread
        from pynetdicom import evt
        from pynetdicom.ae import ApplicationEntity
        from pynetdicom.pdu import A_ASSOCIATE_RJ
    except ImportError:
        raise Undelivered(
            "sending DICOM needs the packages of the extra 'export': pip install 'checkback[export]'",
            refused=True,
        ) from None
    from pydicom.uid import ExplicitVRLittleEndian, ImplicitVRLittleEndian

    try:
        to = archive(item.destination)
        calling = title(item.options.get("calling", CALLING))
        tls = _tls(item.options)
    except (UserError, OSError, ValueError) as error:
        raise Undelivered(str(error), refused=True) from None
    ds = dcmread(BytesIO(payload))
    entity = ApplicationEntity(ae_title=calling)
    entity.connection_timeout = entity.acse_timeout = CONNECT_S
    entity.dimse_timeout = entity.network_timeout = ANSWER_S
    entity.add_requested_context(ds.SOPClassUID, [ExplicitVRLittleEndian, ImplicitVRLittleEndian])
    opened: list[Any] = []
    rejections: list[A_ASSOCIATE_RJ] = []

    def keep(event: evt.Event) -> None:
        if isinstance(event.pdu, A_ASSOCIATE_RJ):
            rejections.append(event.pdu)

    association = entity.associate(
        to.host,
        to.port,
        ae_title=to.called,
        tls_args=None if tls is None else (tls, to.host),
        evt_handlers=[
            (evt.EVT_CONN_OPEN, lambda event: opened.append(event.assoc.dul.socket.socket)),
            (evt.EVT_PDU_RECV, keep),
        ],
    )
    try:
        # the library takes a rejection that comes before it looks for a connection that never was
        if rejections:
            raise _rejected(rejections[0], to)
        return _store(association, ds, to)
    finally:
        # after a reset the library forgets its socket without closing it
        for connection in opened:
            connection.close()


def _store(association: Association, ds: Dataset, to: Archive) -> str:
    if not association.is_established:
        raise _not_connected(association, to)
    try:
        status = association.send_c_store(ds)
    except ValueError as error:
        # among others, what was accepted does not fit this file
        raise Undelivered(f"{to} does not take procedure logs ({error})", refused=True) from None
    except RuntimeError:
        raise Undelivered(f"the connection to {to} was lost") from None
    finally:
        if association.is_established:
            association.release()
    return _answer(status.get("Status"), str(status.get("ErrorComment", "") or ""), to)


def _tls(options: Mapping[str, str]) -> ssl.SSLContext | None:
    if "tls" not in options:
        return None
    context = ssl.create_default_context(cafile=options.get("tls_ca"))
    if "tls_certificate" in options:
        context.load_cert_chain(options["tls_certificate"], options.get("tls_key"))
    return context


def _rejected(answer: A_ASSOCIATE_RJ, to: Archive) -> Undelivered:
    why = _WHY_REJECTED.get((answer.source, answer.reason_diagnostic), "it gave no reason")  # type: ignore[arg-type]
    return Undelivered(f"{to} rejected us: {why}", refused=answer.result == _PERMANENT)


def _not_connected(association: Association, to: Archive) -> Undelivered:
    if association.acceptor.primitive is not None and not association.accepted_contexts:
        return Undelivered(
            f"{to} does not take procedure logs: none of what we proposed was accepted", refused=True
        )
    return Undelivered(f"{to} cannot be reached, or does not answer")


def _answer(status: int | None, comment: str, to: Archive) -> str:
    """Return what an answer means if the log was stored, and raise otherwise."""
    if status is None:
        raise Undelivered(f"{to} gave no answer to what was sent; it may have arrived")
    said = f"status {status:04X}{': ' + comment if comment else ''}"
    if status == 0:
        return f"stored by {to}"
    if status in _WARNINGS:
        return f"stored by {to}, with a warning ({said})"
    if status == _DUPLICATE:
        # an instance UID is a digest of the content, so it is the same log
        return f"{to} had it already ({said})"
    passing = status in _BUSY or status & 0xFF00 == _OUT_OF_RESOURCES
    raise Undelivered(f"{to} did not store it ({said})", refused=not passing)
