"""A FHIR document goes to a server, by HTTP.

The document is created on the server on the condition that none with its identifier is there, so a
document that arrived without our knowing is not stored twice.  Servers that ignore conditions are asked
for the identifier before a second attempt.

Source: HL7 FHIR R4 (4.0.1), RESTful API, conditional create; RFC 9110 (redirects, Retry-After).
"""

from __future__ import annotations

import asyncio
import ipaddress
import json
import os
import re
import ssl
from collections.abc import Mapping
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple
from urllib.parse import quote, urlsplit

from checkback import __version__
from checkback.errors import UserError
from checkback.extras import extra
from checkback.sending.outbox import Item, Undelivered

if TYPE_CHECKING:
    import httpx

CONNECT_S = 10.0
SILENCE_S = 30.0
"""Longest waits for a connection and for the next byte; common practice, no source."""

WHOLE_S = 120.0
"""Longest time of a whole attempt: a server that sends a byte now and then is not waited for."""

MOST_ANSWER = 65_536
"""Bytes of an answer that are read; the rest is not waited for."""

MOST_REDIRECTS = 3
_KEEP_METHOD = (307, 308)
_PASSING = (408, 425, 429)
"""Answers below 500 after which the same request may be tried again."""

_TOKEN = re.compile(r"[\x21-\x7e]+")


class Answer(NamedTuple):
    """What a server said: status, headers and the beginning of the body."""

    status: int
    headers: Mapping[str, str]
    body: bytes


# --- where to, and with what -------------------------------------------------------------------


def address(url: str, *, plain_http: bool = False) -> str:
    """Return the base address of a server, without a slash at its end.

    Parameters
    ----------
    url : str
        Such as https://fhir.example.org/r4.
    plain_http : bool
        Allow http, without TLS, to another computer.

    Raises
    ------
    UserError
        If it is none, holds a password, or is http to another computer and that was not allowed.
    """
    try:
        parts = urlsplit(url.strip())
        host, port = parts.hostname, parts.port
    except ValueError:
        host = port = None
        parts = urlsplit("")
    if parts.scheme not in ("http", "https") or not host or port == 0 or re.search(r"[\s\\]", url.strip()):
        raise UserError(f"{_shown(url)}: not a server; write it like https://fhir.example.org/r4")
    if parts.username is not None or parts.password is not None or parts.query or parts.fragment:
        raise UserError(
            "The address of a FHIR server has no user, password, query or fragment: give its base alone, and a token "
            "with --token-file or --token-env"
        )
    if parts.scheme == "http" and not plain_http and not is_loopback(host):
        raise UserError(
            f"{url} has no TLS, and everybody on the way could read the case: use https, or allow it with --plain-http"
        )
    return url.strip().rstrip("/")


def _shown(url: str) -> str:
    """Return an address without what may be a password."""
    return re.sub(r"//[^/@]*@", "//***@", url)


def is_loopback(host: str) -> bool:
    """Whether a host is this computer."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def options_for(
    base: str,
    *,
    plain_http: bool = False,
    token_env: str | None = None,
    token_file: Path | None = None,
    ca_file: Path | None = None,
) -> dict[str, str]:
    """Return the options of an item; of a token only where it is kept.

    Raises
    ------
    UserError
        If there is no token where it should be, a file cannot be used, or the token would go without
        TLS to another computer.
    """
    options: dict[str, str] = {}
    if plain_http:
        options["plain_http"] = "yes"
    if token_env is not None:
        options["token_env"] = token_env
    if token_file is not None:
        options["token_file"] = str(token_file.absolute())
    if ca_file is not None:
        options["ca_file"] = str(ca_file.absolute())
    parts = urlsplit(base)
    if token_of(options) and parts.scheme == "http" and not is_loopback(parts.hostname or ""):
        raise UserError(f"A token is not sent without TLS, and {base} has none: use https")
    _context(options)
    return options


def token_of(options: Mapping[str, str]) -> str | None:
    """Return the token, or None if none is to be sent.

    Raises
    ------
    UserError
        If there is none where it should be.  The message never holds the token.
    """
    if "token_env" in options:
        where = f"the environment variable {options['token_env']}"
        found = os.environ.get(options["token_env"], "")
    elif "token_file" in options:
        where = options["token_file"]
        try:
            found = Path(where).read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as error:
            why = getattr(error, "strerror", None) or "it is not UTF-8"
            raise UserError(
                f"{where}: the token cannot be read ({why}): name another with --token-file"
            ) from None
    else:
        return None
    token = found.strip()
    if not _TOKEN.fullmatch(token):
        raise UserError(f"There is no token in {where}: put it there, one line of ASCII without blanks")
    return token


def _context(options: Mapping[str, str]) -> ssl.SSLContext:
    try:
        return ssl.create_default_context(cafile=options.get("ca_file"))
    except (OSError, ssl.SSLError) as error:
        raise UserError(
            f"{options.get('ca_file')}: no certificates can be read there ({error.strerror or error}): name another "
            "file with --ca-file"
        ) from None


# --- one attempt ----------------------------------------------------------------------------------


def deliver(item: Item, payload: bytes) -> str:
    """Post a document and return what the server said.

    Parameters
    ----------
    item : Item
        `destination` is the base address; `options` are those of `options_for`.
    payload : bytes
        A document Bundle with an identifier.

    Raises
    ------
    Undelivered
        `refused` if the server would refuse the same again.
    """
    try:
        base = address(item.destination, plain_http="plain_http" in item.options)
        token = token_of(item.options)
        context = _context(item.options)
        httpx = extra("httpx", of="export", purpose="Sending to a FHIR server")
        identifier = _identifier(payload)
    except UserError as error:
        raise Undelivered(str(error)) from None
    try:
        return asyncio.run(
            _attempt(httpx, base, token, context, identifier, payload, again=item.attempts > 1)
        )
    except TimeoutError:
        raise Undelivered(f"{base} did not answer within {WHOLE_S:.0f} s; it may have arrived") from None
    except httpx.TimeoutException:
        raise Undelivered(f"{base} did not answer in time; it may have arrived") from None
    except httpx.ConnectError as error:
        raise Undelivered(f"{base} cannot be reached ({_short(str(error))})") from None
    except (httpx.HTTPError, httpx.InvalidURL, OSError) as error:
        reason = _short(str(error)) or type(error).__name__
        raise Undelivered(f"the connection to {base} was lost ({reason}); it may have arrived") from None


def _identifier(payload: bytes) -> str:
    """Return the identifier of a document as a search has it: system|value.

    Raises
    ------
    UserError
        If it has none, without which it could be stored twice.
    """
    try:
        identifier = json.loads(payload)["identifier"]
        return f"{identifier['system']}|{identifier['value']}"
    except (ValueError, KeyError, TypeError):
        raise UserError("what is to be sent is no FHIR document with an identifier: drop it") from None


async def _attempt(
    httpx: Any,
    base: str,
    token: str | None,
    context: ssl.SSLContext,
    identifier: str,
    payload: bytes,
    *,
    again: bool,
) -> str:
    headers = {
        "Accept": "application/fhir+json",
        "User-Agent": f"checkback/{__version__}",
        **({"Authorization": f"Bearer {token}"} if token else {}),
    }
    # no proxy and no .netrc of the environment: nothing goes anywhere that was not named
    client: httpx.AsyncClient = httpx.AsyncClient(
        verify=context,
        headers=headers,
        trust_env=False,
        follow_redirects=False,
        timeout=httpx.Timeout(SILENCE_S, connect=CONNECT_S),
    )
    async with client, asyncio.timeout(WHOLE_S):
        search = f"identifier={quote(identifier, safe='')}"
        if again and await _is_there(client, base, search, token):
            return "it was there already, from an earlier attempt"
        created = {"Content-Type": "application/fhir+json", "If-None-Exist": search}
        answer = await _ask(client, "POST", f"{base}/Bundle", created, payload)
    return _meaning(answer, base, token)


async def _is_there(client: httpx.AsyncClient, base: str, search: str, token: str | None) -> bool:
    answer = await _ask(client, "GET", f"{base}/Bundle?{search}&_summary=count", {}, b"")
    if answer.status >= 500 or answer.status in _PASSING:
        _meaning(answer, base, token)
    if answer.status != 200:
        # it cannot be searched; then the condition on the create has to do
        return False
    try:
        found = json.loads(answer.body)
        return found["resourceType"] == "Bundle" and int(found["total"]) > 0
    except (ValueError, KeyError, TypeError):
        return False


async def _ask(
    client: httpx.AsyncClient, method: str, url: str, headers: Mapping[str, str], content: bytes
) -> Answer:
    """Send a request and follow redirects that stay with the same server and keep the method."""
    start = url
    for _ in range(MOST_REDIRECTS + 1):
        async with client.stream(method, url, headers=headers, content=content or None) as response:
            body = b""
            async for piece in response.aiter_bytes():
                body += piece
                if len(body) >= MOST_ANSWER:
                    break
            answer = Answer(response.status_code, dict(response.headers), body)
            if not 300 <= answer.status < 400:
                return answer
            target = response.url.join(answer.headers.get("location", ""))
        here = urlsplit(start)
        origin = (here.scheme, here.hostname, here.port or _port_of(here.scheme))
        if (target.scheme, target.host, target.port or _port_of(target.scheme)) != origin:
            raise Undelivered(
                f"{start} redirects to another server, {target.scheme}://{target.host}, which is not followed: give that "
                "address if you trust it",
                refused=True,
            )
        if answer.status not in _KEEP_METHOD:
            raise Undelivered(
                f"{start} answers {answer.status} and moves to {target}: give the address that it moves to",
                refused=True,
            )
        url = str(target)
    raise Undelivered(f"{start} redirects in a circle", refused=True)


def _port_of(scheme: str) -> int:
    return 443 if scheme == "https" else 80


# --- what an answer means -------------------------------------------------------------------------


def _meaning(answer: Answer, base: str, token: str | None) -> str:
    """Return what an answer says if the document is there, and raise otherwise."""
    status = answer.status
    if status == 200:
        return f"{base} had it already"
    if 200 < status < 300:
        where = urlsplit(answer.headers.get("location", "")).path
        return f"stored by {base}" + (f" as {_short(where)}" if where else "")
    said = _said(answer.body)
    if token:
        said = said.replace(token, "***")
    reason = f"{base} answers {status}{': ' + said if said else ''}"
    if status in (401, 403):
        reason += "; check the token"
    if status == 412:
        reason += "; more than one document with this identifier is there already"
    passing = status >= 500 or status in _PASSING
    raise Undelivered(reason, refused=not passing, after_s=_retry_after(answer.headers.get("retry-after")))


def _said(body: bytes) -> str:
    """Return what an OperationOutcome says, on one short line; nothing of any other answer."""
    try:
        issues = json.loads(body)["issue"]
        texts = [
            i.get("diagnostics") or (i.get("details") or {}).get("text") or i.get("code") for i in issues
        ]
        return _short("; ".join(text for text in texts if isinstance(text, str)))
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return ""


def _short(text: str) -> str:
    line = " ".join("".join(sign if sign.isprintable() else " " for sign in text).split())
    return line if len(line) <= 200 else line[:199] + "…"


def _retry_after(value: str | None, now: datetime | None = None) -> float | None:
    """Return the seconds that a Retry-After header asks for; it has seconds or a date."""
    if value is None:
        return None
    if value.strip().isdecimal():
        return float(value.strip())
    try:
        when = parsedate_to_datetime(value)
    except ValueError:
        return None
    if when.tzinfo is None:
        when = when.replace(tzinfo=UTC)
    return max(0.0, (when - (now or datetime.now(UTC))).total_seconds())
