"""Who may talk to the page: a token in every address, the page's own origin, small bodies.

The page is served to one machine. What could reach it from elsewhere is another page in the same
browser, or a name that was made to point at this machine: so every request must carry the token in
its path and name the page's own host, and whatever a browser says of its origin must agree. Nothing
is ever answered to another origin, and no answer may be framed, sniffed, cached or referred from.
"""

from __future__ import annotations

import asyncio
import hmac
import ipaddress
import json
from collections.abc import Awaitable, Callable, Iterable, MutableMapping
from typing import Any

__all__ = ["HEADERS", "LARGEST_BODY_BYTES", "Guard", "may_name", "new_token"]

Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

LARGEST_BODY_BYTES = 64 * 1024  # a set of marks is about 2 kB
BODY_WITHIN_S = 10.0
_TOKEN_BYTES = 24
_FROM_HERE = {b"same-origin", b"none"}
HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; "
        "connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    ),
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Cache-Control": "no-store",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=()",
}


def new_token() -> str:
    """A token that cannot be guessed, fit for an address."""
    import secrets

    return secrets.token_urlsafe(_TOKEN_BYTES)


def may_name(host: str, port: int) -> Callable[[str], bool]:
    """Which ``Host`` a request may name.

    On loopback: this machine, by its usual names. On an address of the network: that address; and
    where every address is bound, any address written in figures, because a name that was pointed
    here by someone else is what this is to keep out.

    Parameters
    ----------
    host : str
        Address that is bound.
    port : int

    Examples
    --------
    >>> named = may_name("127.0.0.1", 8000)
    >>> named("localhost:8000"), named("127.0.0.1:8000"), named("elsewhere.example:8000")
    (True, True, False)
    """
    loopback = {f"{name}:{port}" for name in ("127.0.0.1", "localhost", "[::1]")}
    own = {f"[{host}]:{port}" if ":" in host else f"{host}:{port}"}

    def named(given: str) -> bool:
        given = given.lower()
        if given in loopback | own:
            return True
        if not ipaddress.ip_address(host).is_unspecified:
            return False
        address, _, at = given.rpartition(":")
        try:
            ipaddress.ip_address(address.strip("[]"))
        except ValueError:
            return False
        return at == str(port)

    return named


class Guard:
    """Refuses, before anything else looks at it, what does not come from the page itself.

    Parameters
    ----------
    app : ASGI application
        Sees the path without the token.
    token : str
    named : callable
        Of :func:`may_name`.
    """

    def __init__(self, app: App, *, token: str, named: Callable[[str], bool]) -> None:
        self.app = app
        self.token = token.encode("ascii")
        self.named = named

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request, or refuse it."""
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        if scope["type"] != "http":
            return
        refusal = self._refusal(scope)
        if refusal is not None:
            await _answer(send, *refusal)
            return
        inner = dict(scope)
        inner["path"] = "/" + scope["path"].split("/", 2)[2]
        inner.pop("raw_path", None)
        body = b""
        if scope["method"] == "POST":
            try:
                async with asyncio.timeout(BODY_WITHIN_S):
                    body = await _body(receive)
            except TimeoutError:
                await _answer(send, 408, "The request did not arrive in time.")
                return
            except _TooLarge:
                await _answer(send, 413, f"A request holds at most {LARGEST_BODY_BYTES} bytes.")
                return

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                message["headers"] = [*message.get("headers", []), *_header_pairs()]
            await send(message)

        await self.app(inner, _once(body, receive), with_headers)

    def _refusal(self, scope: Scope) -> tuple[int, str] | None:
        headers: dict[bytes, list[bytes]] = {}
        for name, value in scope["headers"]:
            headers.setdefault(name.lower(), []).append(value)
        hosts = headers.get(b"host", [])
        if len(hosts) != 1 or not self.named(hosts[0].decode("latin-1")):
            return 421, "This page answers under the address that it printed, and no other."
        if scope["method"] not in ("GET", "HEAD", "POST"):
            return 405, "Only GET and POST are answered."
        parts = scope["path"].split("/", 2)
        given = parts[1].encode("utf-8", "replace") if len(parts) == 3 else b""
        if not hmac.compare_digest(given, self.token):
            return 404, "Open the whole address that was printed, with its token."
        origin = headers.get(b"origin", [])
        own = b"http://" + hosts[0]
        if len(origin) > 1 or (origin and origin[0].lower() != own.lower()):
            return 403, "Requests of another page are refused."
        sites = headers.get(b"sec-fetch-site", [])
        if any(site not in _FROM_HERE for site in sites):
            return 403, "Requests of another page are refused."
        if scope["method"] == "POST":
            kind = headers.get(b"content-type", [b""])[0].split(b";")[0].strip().lower()
            if not origin or kind != b"application/json":
                return 403, "Only the page itself may send, as JSON."
            length = headers.get(b"content-length", [b"0"])[0]
            if length.isdigit() and int(length[:12]) > LARGEST_BODY_BYTES:
                return 413, f"A request holds at most {LARGEST_BODY_BYTES} bytes."
        return None


class _TooLarge(Exception):
    pass


async def _body(receive: Receive) -> bytes:
    parts: list[bytes] = []
    size = 0
    while True:
        message = await receive()
        if message["type"] != "http.request":
            return b"".join(parts)
        part = message.get("body", b"")
        size += len(part)
        if size > LARGEST_BODY_BYTES:
            raise _TooLarge
        parts.append(part)
        if not message.get("more_body", False):
            return b"".join(parts)


def _once(body: bytes, receive: Receive) -> Receive:
    """The body that was read already, then whatever comes (a browser that went away)."""
    given = False

    async def read() -> Message:
        nonlocal given
        if not given:
            given = True
            return {"type": "http.request", "body": body, "more_body": False}
        return await receive()

    return read


def _header_pairs() -> Iterable[tuple[bytes, bytes]]:
    return [(name.lower().encode(), value.encode()) for name, value in HEADERS.items()]


async def _answer(send: Send, status: int, sentence: str) -> None:
    content = json.dumps({"refused": sentence}).encode()
    await send(
        {
            "type": "http.response.start",
            "status": status,
            "headers": [
                (b"content-type", b"application/json"),
                (b"content-length", str(len(content)).encode()),
                (b"connection", b"close"),
                *_header_pairs(),
            ],
        }
    )
    await send({"type": "http.response.body", "body": content})
