"""A small real FHIR server on a socket of this computer, which can be told to misbehave."""

from __future__ import annotations

import json
import ssl
import threading
import time
from collections import deque
from collections.abc import Callable
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from types import TracebackType
from typing import Any, NamedTuple, Self
from urllib.parse import parse_qs, urlsplit


class Request(NamedTuple):
    """What came in."""

    method: str
    path: str
    headers: dict[str, str]
    body: bytes


class FhirServer:
    """Stores documents posted to /r4/Bundle, finds them by identifier, and honours conditional creates.

    Parameters
    ----------
    conditional : bool
        Whether it looks at If-None-Exist.
    searchable : bool
        Whether it can be searched.
    tls : ssl.SSLContext or None
        Speak TLS with these certificates.
    """

    def __init__(
        self, *, conditional: bool = True, searchable: bool = True, tls: ssl.SSLContext | None = None
    ) -> None:
        self.conditional = conditional
        self.searchable = searchable
        self.stored: list[dict[str, Any]] = []
        self.requests: list[Request] = []
        self.script: deque[Behaviour] = deque()
        self.released = threading.Event()
        server = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def do_GET(self) -> None:
                server.handle(self)

            def do_POST(self) -> None:
                server.handle(self)

            def log_message(self, *_: object) -> None:
                pass

        class Quiet(ThreadingHTTPServer):
            daemon_threads = True

            def handle_error(self, *_: object) -> None:
                pass  # a client that was killed

        self._server = Quiet(("127.0.0.1", 0), Handler)
        if tls is not None:
            self._server.socket = tls.wrap_socket(self._server.socket, server_side=True)
        self._scheme = "http" if tls is None else "https"
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.02,), daemon=True)

    @property
    def url(self) -> str:
        """Base address."""
        return f"{self._scheme}://127.0.0.1:{self._server.server_port}/r4"

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, where: TracebackType | None
    ) -> None:
        self.released.set()
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()

    def posts(self) -> list[Request]:
        """Return the requests that were to create something."""
        return [request for request in self.requests if request.method == "POST"]

    def handle(self, handler: BaseHTTPRequestHandler) -> None:
        body = handler.rfile.read(int(handler.headers.get("Content-Length", 0)))
        headers = {name.lower(): value for name, value in handler.headers.items()}
        request = Request(handler.command, handler.path, headers, body)
        self.requests.append(request)
        behave = self.script.popleft() if self.script else normal
        behave(self, handler, request)

    def answer(self, request: Request) -> tuple[int, dict[str, str], dict[str, Any]]:
        """Do what a request asks for."""
        parts = urlsplit(request.path)
        if parts.path != "/r4/Bundle":
            return 404, {}, outcome("no such place")
        if request.method == "GET":
            if not self.searchable:
                return 400, {}, outcome("search is not supported")
            found = self._found(parts.query)
            return 200, {}, {"resourceType": "Bundle", "type": "searchset", "total": len(found)}
        if self.conditional and (sought := request.headers.get("if-none-exist")):
            found = self._found(sought)
            if found:
                return (200 if len(found) == 1 else 412), {}, outcome("there already")
        self.stored.append(json.loads(request.body))
        return 201, {"Location": f"{parts.path}/{len(self.stored)}/_history/1"}, outcome("created")

    def _found(self, query: str) -> list[dict[str, Any]]:
        system, _, value = parse_qs(query)["identifier"][0].partition("|")
        return [d for d in self.stored if d["identifier"] == {"system": system, "value": value}]


Behaviour = Callable[[FhirServer, BaseHTTPRequestHandler, Request], None]


def outcome(text: str) -> dict[str, Any]:
    """Return an OperationOutcome."""
    return {"resourceType": "OperationOutcome", "issue": [{"severity": "error", "diagnostics": text}]}


def _send(handler: BaseHTTPRequestHandler, status: int, headers: dict[str, str], content: bytes) -> None:
    handler.send_response(status)
    for name, value in headers.items():
        handler.send_header(name, value)
    handler.send_header("Content-Length", str(len(content)))
    handler.end_headers()
    handler.wfile.write(content)


def normal(server: FhirServer, handler: BaseHTTPRequestHandler, request: Request) -> None:
    """Do what is asked and say so."""
    status, headers, content = server.answer(request)
    _send(handler, status, headers, json.dumps(content).encode())


def says(status: int, text: str = "", **headers: str) -> Behaviour:
    """Answer with a status and do nothing; `Retry_After` stands for Retry-After."""

    def behave(_: FhirServer, handler: BaseHTTPRequestHandler, __: Request) -> None:
        named = {name.replace("_", "-"): value for name, value in headers.items()}
        _send(handler, status, named, json.dumps(outcome(text)).encode())

    return behave


def stores_and_cuts(server: FhirServer, handler: BaseHTTPRequestHandler, request: Request) -> None:
    """Do what is asked, and lose the connection in the middle of the answer."""
    server.answer(request)
    handler.send_response(201)
    handler.send_header("Content-Length", "1000")
    handler.end_headers()
    handler.wfile.write(b'{"resource')
    handler.wfile.flush()
    handler.connection.close()
    handler.close_connection = True


def cuts(_: FhirServer, handler: BaseHTTPRequestHandler, __: Request) -> None:
    """Lose the connection and do nothing."""
    handler.connection.close()
    handler.close_connection = True


def stores_and_hangs(server: FhirServer, handler: BaseHTTPRequestHandler, request: Request) -> None:
    """Do what is asked and say nothing."""
    server.answer(request)
    server.released.wait(60)
    handler.close_connection = True


def drips(server: FhirServer, handler: BaseHTTPRequestHandler, _: Request) -> None:
    """Send a header a byte at a time, for ever."""
    handler.close_connection = True
    for sign in b"HTTP/1.1 201 Created\r\nX-Slow: " + b"x" * 10_000:
        if server.released.is_set():
            return
        try:
            handler.wfile.write(bytes([sign]))
            handler.wfile.flush()
        except OSError:
            return
        time.sleep(0.02)
