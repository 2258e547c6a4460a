"""The server of live pages: for browsers on this machine that know its secret, and for nobody else.

It listens on the loopback address only. The address it prints carries a secret, and a page and its socket are refused
without it. So is a request that names another host, as a name that was made to point here would, and a socket that a
page of another origin opens. Secret and signatures of sessions are new for each server.
"""

from __future__ import annotations

import hmac
import logging
import secrets
import socket
import sys
from collections.abc import Awaitable, Callable
from pathlib import Path

from bokeh.application import Application
from bokeh.application.handlers.function import FunctionHandler
from bokeh.document import Document
from bokeh.document.events import DocumentPatchedEvent
from bokeh.protocol import Protocol
from bokeh.resources import Resources
from bokeh.server.auth_provider import AuthProvider
from bokeh.server.connection import ServerConnection
from bokeh.server.contexts import ApplicationContext
from bokeh.server.server import BaseServer
from bokeh.server.session import ServerSession
from bokeh.server.tornado import BokehTornado
from bokeh.server.views.ws import WSHandler
from tornado.httpserver import HTTPServer
from tornado.ioloop import IOLoop
from tornado.web import HTTPError, RequestHandler

from bronzeward.errors import InputError
from bronzeward.live.computing import MEMBERS
from bronzeward.live.draft import Draft
from bronzeward.live.page import LivePage

LOOPBACK = "127.0.0.1"

SWITCH = 5e-4
"""How long the thread that computes may keep the one that serves waiting, each time [s]; 5e-3 if nothing is said."""


class Secret(AuthProvider):
    """Lets in whoever knows the secret; a page's socket has the page's address, secret and all."""

    def __init__(self, port: int) -> None:
        self.token = secrets.token_urlsafe(24)
        self.host = f"{LOOPBACK}:{port}"
        super().__init__()

    @property
    def get_user_async(self) -> Callable[[RequestHandler], Awaitable[str]]:
        """Who may enter; asked before anything is answered, a socket's handshake included, and raises 403."""
        return self._admitted

    @property
    def login_url(self) -> str:
        """Never used: nobody is sent to log in."""
        return "/refused"

    async def _admitted(self, request: RequestHandler) -> str:
        if request.request.host != self.host:
            raise HTTPError(403, "this host is not served")
        if not hmac.compare_digest(request.get_query_argument("token", "").encode(), self.token.encode()):
            raise HTTPError(403, "open the address that bronzeward printed")
        return "here"


class Pages(BokehTornado):
    """Serves the two parts of Bokeh's script that a page needs, not five.

    Sends all that one callback changes in a page as one message, so that the browser draws it once.
    """

    def resources(self, absolute_url: str | bool | None = None) -> Resources:
        """Scripts of a page."""
        return super().resources(absolute_url).clone(components=["bokeh", "bokeh-widgets"])

    def new_connection(
        self, protocol: Protocol, socket: WSHandler, application_context: ApplicationContext, session: ServerSession
    ) -> ServerConnection:
        """A connection of a page."""
        connection = super().new_connection(protocol, socket, application_context, session)
        waiting: list[DocumentPatchedEvent] = []

        async def send() -> None:
            """Send everything that waits; the session awaits this once for each change, after the callback."""
            events = waiting[:]
            waiting.clear()
            if events:
                await socket.send_message(protocol.create("PATCH-DOC", events))

        def put(event: DocumentPatchedEvent) -> Awaitable[None]:
            waiting.append(event)
            return send()

        connection.send_patch_document = put
        return connection


class LiveServer:
    """A server of live pages; every page that is opened begins with the same draft, see `LivePage`.

    `port` 0 is any that is free; `address` is what a browser opens.
    """

    def __init__(self, draft: Draft, folder: Path, name: str, members: int = MEMBERS, port: int = 0) -> None:
        for library in ("bokeh", "tornado"):
            logging.getLogger(library).setLevel(logging.ERROR)
        try:
            listening = socket.create_server((LOOPBACK, port))
        except OSError as error:
            raise InputError(f"live: port {port} cannot be used ({error.strerror or error})") from None
        listening.setblocking(False)
        secret = Secret(listening.getsockname()[1])

        def open_page(document: Document) -> None:
            LivePage(document, draft, folder, name, members)

        pages = Pages(
            {"/": Application(FunctionHandler(open_page))},
            extra_websocket_origins=[secret.host], auth_provider=secret, sign_sessions=True,
            secret_key=secrets.token_bytes(32), include_headers=[], include_cookies=[], generate_session_ids=True,
        )  # fmt: skip
        http = HTTPServer(pages)
        http.add_sockets([listening])
        self._loop = IOLoop.current()
        self._server = BaseServer(self._loop, pages, http)
        self.address = f"http://{secret.host}/?token={secret.token}"

    def run(self) -> None:
        """Serve until `stop`, or an interrupt."""
        self._server.start()
        sys.setswitchinterval(SWITCH)
        try:
            self._loop.start()
        finally:
            self._server.stop()

    def stop(self) -> None:
        """End `run`; may be called from another thread."""
        self._loop.add_callback(self._loop.stop)
