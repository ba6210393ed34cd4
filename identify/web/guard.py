"""What stands before every request: who asks, from where, how much is sent; and the headers of every response.

Written for the bare ASGI protocol, so that the page's event streams pass through unbuffered.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import http.cookies
import ipaddress
import re
from collections.abc import Awaitable, Callable, MutableMapping
from typing import Any
from urllib.parse import urlsplit

from identify.errors import UsageError
from identify.web.login import Door

COOKIE = "tapwright"
OPEN = ("/login", "/static/", "/healthz")  # what is seen before the door
SERVICE = "/api/"
CLOSED = ("/gradio_api/upload", "/gradio_api/file", "/gradio_api/stream", "/gradio_api/deep_link", "/file=", "/proxy=")
POLICY = (
    "default-src 'none'",
    "script-src 'self' 'unsafe-eval'",  # the page's framework evaluates its own templates
    "style-src 'self' 'unsafe-inline'",
    "img-src 'self' data: blob:",
    "font-src 'self' data:",
    "media-src 'self' blob:",
    "connect-src 'self'",
    "worker-src 'self' blob:",
    "manifest-src 'self'",
    "form-action 'self'",
    "base-uri 'self'",
    "frame-ancestors 'none'",
)
_SCRIPT = re.compile(rb"<script(?:\s[^>]*)?>(.*?)</script>", re.DOTALL)
HEADERS = {
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "same-origin",
    "permissions-policy": "camera=(self), microphone=(), geolocation=()",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
}
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Message, Receive, Send], Awaitable[None]]


def loopback(host: str) -> bool:
    """Whether an address or name is this machine itself."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False


class TooMuch(Exception):
    """More was sent than is taken."""


class Guard:
    """The outermost layer of the page.

    Parameters
    ----------
    door : who may come in; None lets everybody in, which only a page of this machine alone may do.
    names : host names under which the page may be asked for; None for any.
    most_bytes : the largest body that is read.
    """

    def __init__(self, app: App, *, door: Door | None, names: frozenset[str] | None, most_bytes: int) -> None:
        self._app, self._door, self._names, self._most = app, door, names, most_bytes

    async def __call__(self, scope: Message, receive: Receive, send: Send) -> None:
        """One request."""
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self._app(scope, receive, send)
            return
        headers = {name.decode("latin-1"): value.decode("latin-1") for name, value in scope["headers"]}
        answer = _with_headers(send, scope)
        refusal = self._refusal(scope, headers)
        if refusal is not None:
            await _say(answer, *refusal)
            return
        await self._passed(scope, receive, answer)

    async def _passed(self, scope: Message, receive: Receive, answer: Send) -> None:
        """The request with its body counted; one that grows too long is answered with 413 whatever the app says."""
        body = _Counted(receive, self._most)
        said = False

        async def noted(message: Message) -> None:
            nonlocal said
            if not body.over:
                await answer(message)
            elif not said:
                said = True
                await _say(answer, 413, self._too_much)

        try:
            await self._app(scope, body.take, noted)
        except TooMuch:
            await noted({})

    @property
    def _too_much(self) -> str:
        return f"More than {self._most / 1e6:.0f} MB were sent; send fewer photos at a time."

    def _refusal(self, scope: Message, headers: dict[str, str]) -> tuple[int, str, dict[str, str]] | None:
        """Status, sentence and headers where the request goes no further."""
        host = headers.get("host", "")
        name = urlsplit(f"//{host}").hostname or ""
        if self._names is not None and name not in self._names:
            return 421, "This page is not served under that name.", {}
        origin = headers.get("origin", "")
        if origin and urlsplit(origin).netloc != host:
            return 403, "Another site may not use this page.", {}
        if any(scope["path"].startswith(each) for each in CLOSED):
            return 404, "There is no such thing here.", {}
        if headers.get("content-length", "0").isdecimal() and int(headers.get("content-length", "0")) > self._most:
            return 413, self._too_much, {}
        if self._door is None or any(scope["path"].startswith(each) for each in OPEN):
            return None
        return self._stranger(scope, headers, self._door)

    def _stranger(self, scope: Message, headers: dict[str, str], door: Door) -> tuple[int, str, dict[str, str]] | None:
        if door.inside(session(headers.get("cookie", ""))):
            return None
        service = scope["path"].startswith(SERVICE)
        if service and headers.get("authorization", "").lower().startswith("basic "):
            name, password = _basic(headers["authorization"][6:])
            try:
                if door.knock(name, password, address(scope)):
                    return None
            except UsageError as why:
                return 429, str(why), {}
        if service:
            return 401, "Log in: send name and password.", {"www-authenticate": 'Basic realm="tapwright"'}
        if scope["path"] == "/" and scope["method"] == "GET":
            return 303, "Log in first.", {"location": "/login"}
        return 401, "Log in first.", {}


def session(cookies: str) -> str:
    """The session's key in a Cookie header; empty where there is none."""
    try:
        found = http.cookies.SimpleCookie(cookies).get(COOKIE)
    except http.cookies.CookieError:
        return ""
    return found.value if found else ""


def address(scope: Message) -> str:
    """Where a request comes from."""
    return str((scope.get("client") or ("",))[0])


def _basic(code: str) -> tuple[str, str]:
    try:
        name, _, password = base64.b64decode(code, validate=True).decode().partition(":")
    except (binascii.Error, UnicodeDecodeError):
        return "", ""
    return name, password


class _Counted:
    """The request's body, which ends in an error where it grows too long."""

    def __init__(self, receive: Receive, most: int) -> None:
        self._receive, self._most, self._taken = receive, most, 0

    @property
    def over(self) -> bool:
        """Whether more came than is taken."""
        return self._taken > self._most

    async def take(self) -> Message:
        """The next piece."""
        message = await self._receive()
        self._taken += len(message.get("body", b""))
        if self.over:
            raise TooMuch
        return message


def policy(html: bytes = b"") -> str:
    """The content security policy; scripts that stand in the page itself are let run by their SHA-256."""
    hashes = [base64.b64encode(hashlib.sha256(text).digest()).decode() for text in _SCRIPT.findall(html) if text]
    allowed = "".join(f" 'sha256-{each}'" for each in dict.fromkeys(hashes))
    return "; ".join(f"{each}{allowed}" if each.startswith("script-src") else each for each in POLICY)


def _with_headers(send: Send, scope: Message) -> Send:
    """The same, with the headers of every response; a page of HTML is sent as a whole, for its policy's sake."""
    kept = scope["path"].startswith(("/assets/", "/static/", "/pictures/"))
    held: list[Message] = []

    async def dressed(message: Message) -> None:
        if message["type"] == "http.response.start":
            own = {name.lower(): value for name, value in message.get("headers", []) if name.lower() != b"server"}
            own |= {name.encode(): value.encode() for name, value in HEADERS.items()}
            own[b"content-security-policy"] = policy().encode()
            if not kept:
                own.setdefault(b"cache-control", b"no-store")
            cookies = [pair for pair in message.get("headers", []) if pair[0].lower() == b"set-cookie"]
            own.pop(b"set-cookie", None)
            message["headers"] = [*own.items(), *cookies]
            if own.get(b"content-type", b"").startswith(b"text/html"):
                held.append(message)
                return
        elif held:
            held.append(message)
            if message.get("more_body", False):
                return
            body = b"".join(each.get("body", b"") for each in held[1:])
            told = policy(body).encode()
            pairs = [
                (name, told if name == b"content-security-policy" else value) for name, value in held[0]["headers"]
            ]
            await send({**held[0], "headers": pairs})
            await send({"type": "http.response.body", "body": body})
            held.clear()
            return
        await send(message)

    return dressed


async def _say(send: Send, status: int, text: str, headers: dict[str, str] | None = None) -> None:
    told = {"content-type": "text/plain; charset=utf-8", **(headers or {})}
    pairs = [(name.encode(), value.encode()) for name, value in told.items()]
    await send({"type": "http.response.start", "status": status, "headers": pairs})
    await send({"type": "http.response.body", "body": text.encode()})
