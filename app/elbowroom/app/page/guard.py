"""The door: who may speak to the page, and how much they may send.

A page on the loopback address can be reached by any web page open in the same browser. So every request must name this
machine as its host (a foreign name that resolves here is refused), and come from our own page if it says where from;
both also for the socket. Bodies are counted as they stream in.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Collection, MutableMapping
from typing import Any

Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[MutableMapping[str, Any]]]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

MAX_BODY_BYTES = 100_000_000
"""Largest body taken: a photo may have 80 MB, everything else is far smaller."""

CLOSE_POLICY = 1008
"""Close code for a socket that breaks the rules. Source: RFC 6455, section 7.4.1."""

HEADERS = {
    "content-security-policy": (
        "default-src 'self'; script-src 'self' 'unsafe-inline' 'unsafe-eval'; style-src 'self' 'unsafe-inline'; "
        "img-src 'self' data: blob:; connect-src 'self'; object-src 'none'; base-uri 'self'; form-action 'self'; "
        "frame-ancestors 'none'"
    ),
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-resource-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
}
"""Sent with every answer: nothing is loaded from elsewhere, and no other page may frame or embed ours."""


class TooLarge(Exception):
    """More bytes came than are taken."""


class Guard:
    """ASGI middleware that lets only this machine's own page through."""

    def __init__(self, app: App, *, hosts: Collection[str], most_bytes: int = MAX_BODY_BYTES) -> None:
        self.app, self.hosts, self.most_bytes = app, frozenset(hosts), most_bytes

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer a request, or pass it on."""
        if scope["type"] not in ("http", "websocket"):
            await self.app(scope, receive, send)
            return
        refusal = self._refusal(scope)
        if refusal is not None:
            await _refuse(scope, send, *refusal)
            return
        await self._pass(scope, receive, send)

    def _refusal(self, scope: Scope) -> tuple[int, str] | None:
        """Return status and words when a request must not pass."""
        names = [k.lower() for k, _ in scope["headers"]]
        headers = {k.lower(): v.decode("latin-1") for k, v in scope["headers"]}
        if names.count(b"host") != 1 or headers[b"host"].lower() not in self.hosts:
            return 421, "this page answers to its own address only; open the one the program printed"
        origin = headers.get(b"origin")
        if origin is not None and origin.lower() not in {f"http://{h}" for h in self.hosts}:
            return 403, "another web page tried to reach this job; it was refused"
        if headers.get(b"sec-fetch-site") == "cross-site" and scope.get("method") not in ("GET", "HEAD"):
            return 403, "another web page tried to change this job; it was refused"
        length = headers.get(b"content-length", "0")
        if not length.isdigit() or int(length) > self.most_bytes:
            return 413, _too_large(self.most_bytes)
        return None

    async def _pass(self, scope: Scope, receive: Receive, send: Send) -> None:
        came, started = 0, False

        async def counted() -> MutableMapping[str, Any]:
            nonlocal came
            message = await receive()
            if message["type"] == "http.request":
                came += len(message.get("body", b""))
                if came > self.most_bytes:
                    raise TooLarge
            return message

        async def dressed(message: MutableMapping[str, Any]) -> None:
            nonlocal started
            if message["type"] == "http.response.start":
                started = True
                have = {k.lower() for k, _ in message.get("headers", [])}
                more = [(k.encode(), v.encode()) for k, v in HEADERS.items() if k.encode() not in have]
                message = {**message, "headers": [*message.get("headers", []), *more]}
            await send(message)

        try:
            await self.app(scope, counted, dressed)
        except TooLarge:
            if not started:
                await _refuse(scope, send, 413, _too_large(self.most_bytes))


def _too_large(most: int) -> str:
    return f"that is more than this page takes in one go; limit {most / 1e6:.0f} MB; send photos as the phone saved them"


async def _refuse(scope: Scope, send: Send, status: int, words: str) -> None:
    if scope["type"] == "websocket":
        await send({"type": "websocket.close", "code": CLOSE_POLICY, "reason": words})
        return
    body = words.encode()
    headers = [(b"content-type", b"text/plain; charset=utf-8"), (b"content-length", str(len(body)).encode())]
    await send(
        {"type": "http.response.start", "status": status, "headers": [*headers, (b"connection", b"close")]}
    )
    await send({"type": "http.response.body", "body": body})
