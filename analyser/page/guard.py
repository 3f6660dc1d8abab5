"""Who may ask, and what every answer forbids the browser.

The page listens on the loopback address only, but every program and every web site open on this machine can send requests there. So:
the Host header must be our own address (else a name that an attacker points at 127.0.0.1 would do); every request but the first must carry a
cookie that only the printed address gives; requests that the browser says come from another site, or from another port of this machine,
are refused; what writes must say that it comes from our own pages; bodies are bounded before they are read.
"""

from __future__ import annotations

import secrets
from collections.abc import Awaitable, Callable
from http.cookies import CookieError, SimpleCookie
from urllib.parse import parse_qs, urlencode

#: The browser may load nothing from elsewhere, run no script that stands in a page, and show us in no other page.
POLICY = "default-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'; object-src 'none'"
#: Reports written as single files carry their styles and pictures inside; they get no script and no origin.
REPORT_POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'; frame-ancestors 'none'; sandbox"
HEADERS = (
    (b"content-security-policy", POLICY.encode()),
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"no-referrer"),
    (b"x-frame-options", b"DENY"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"permissions-policy", b"camera=(), microphone=(), geolocation=(), payment=(), usb=()"),
)
BODY_LIMIT = 1_000_000  # bytes of what pages send
PICTURE_LIMIT = 40_000_000  # bytes of a screenshot
READING = ("GET", "HEAD")

Message = dict
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]


class TooLarge(Exception):
    """More came than was announced or allowed."""


class Guard:
    """Stands before an ASGI application and lets through what may pass.

    Parameters
    ----------
    app : ASGI application
    port : int
        That we listen on.
    token : str, optional
        The secret of the printed address; a new one if not given.
    large : frozenset of str
        Paths that take pictures.
    """

    def __init__(self, app, port: int, token: str = "", large: frozenset[str] = frozenset()):
        self.app, self.port, self.large = app, port, large
        self.token = token or secrets.token_urlsafe(32)
        self.cookie = f"analyser_page_{port}"
        self.secret = secrets.token_urlsafe(32)
        self.hosts = (f"127.0.0.1:{port}", f"localhost:{port}")

    async def __call__(self, scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            return  # no socket is ever opened, and there is nothing to start or stop
        headers: dict[bytes, list[bytes]] = {}
        for name, value in scope["headers"]:
            headers.setdefault(name.lower(), []).append(value)
        limit = PICTURE_LIMIT if scope["path"] in self.large else BODY_LIMIT
        refusal = self._refusal(scope, headers, limit)
        if refusal is not None:
            await _answer(send, *refusal)
            return
        if not self._has_cookie(headers):
            await self._admit(scope, headers, send)
            return
        await self._pass_on(scope, receive, send, limit)

    # -- what is refused -----------------------------------------------------------------------------------------------

    def _refusal(self, scope, headers: dict[bytes, list[bytes]], limit: int) -> tuple[int, str] | None:
        hosts = headers.get(b"host", [])
        if len(hosts) != 1 or hosts[0].decode("latin-1") not in self.hosts:
            return 403, f"this page answers to http://127.0.0.1:{self.port} only"
        raw = scope.get("raw_path", b"") or b""
        if _climbs(scope["path"]) or _climbs(raw.split(b"?")[0].decode("latin-1")):
            return 400, "this address leads out of the page"
        if (scope["method"] not in READING) and not self._own_origin(headers, hosts[0]):
            return 403, "what changes something must come from the page itself"
        if not _same_site(headers, scope):
            return 403, "another site asked for this"
        length = headers.get(b"content-length", [b"0"])[-1]
        if not length.isdigit() or int(length) > limit:
            return 413, f"more than {limit // 1_000_000} MB; nothing of it was read"
        return None

    def _own_origin(self, headers: dict[bytes, list[bytes]], host: bytes) -> bool:
        origins = headers.get(b"origin", [])
        if origins:
            return len(origins) == 1 and origins[0] == b"http://" + host
        return headers.get(b"sec-fetch-site", []) == [b"same-origin"]

    def _has_cookie(self, headers: dict[bytes, list[bytes]]) -> bool:
        for line in headers.get(b"cookie", []):
            try:
                found = SimpleCookie(line.decode("latin-1")).get(self.cookie)
            except CookieError:
                continue
            if found is not None and secrets.compare_digest(found.value.encode(), self.secret.encode()):
                return True
        return False

    # -- what is let in ------------------------------------------------------------------------------------------------

    async def _admit(self, scope, headers: dict[bytes, list[bytes]], send: Send) -> None:
        """The printed address gives the cookie, and its token disappears from the address."""
        query = parse_qs(scope.get("query_string", b"").decode("latin-1"))
        given = query.pop("token", [""])[0]
        if scope["method"] != "GET" or not secrets.compare_digest(given.encode(), self.token.encode()):
            await _answer(send, 403, "open the address that `analyser page` printed: it holds the key to this page")
            return
        rest = urlencode(query, doseq=True)
        there = scope["path"] if scope["path"].startswith("/") and not scope["path"].startswith("//") else "/"
        location = there + (f"?{rest}" if rest else "")
        await _answer(send, 303, "", (
            (b"location", location.encode("latin-1", "replace")),
            (b"set-cookie", f"{self.cookie}={self.secret}; Path=/; HttpOnly; SameSite=Strict".encode()),
        ))  # fmt: skip

    async def _pass_on(self, scope, receive: Receive, send: Send, limit: int) -> None:
        read, started = 0, False

        async def bounded() -> Message:
            nonlocal read
            message = await receive()
            read += len(message.get("body", b""))
            if read > limit:
                raise TooLarge
            return message

        async def sealed(message: Message) -> None:
            nonlocal started
            if message["type"] == "http.response.start":
                started = True
                own = {name.lower() for name, _ in message.get("headers", ())}
                extra = [header for header in HEADERS if header[0] not in own]
                if b"cache-control" not in own:
                    extra.append((b"cache-control", b"no-store"))
                message = {**message, "headers": [*message.get("headers", ()), *extra]}
            await send(message)

        try:
            await self.app(scope, bounded, sealed)
        except TooLarge:
            if not started:
                await _answer(send, 413, f"more than {limit // 1_000_000} MB; it was not kept")


def _same_site(headers: dict[bytes, list[bytes]], scope) -> bool:
    """Whether the browser, where it says so, says that nobody else asked. Opening the printed address from elsewhere is no harm."""
    said = headers.get(b"sec-fetch-site", [])
    if not said or said in ([b"same-origin"], [b"none"]):
        return True
    opened = headers.get(b"sec-fetch-mode", []) == [b"navigate"] and headers.get(b"sec-fetch-dest", []) == [b"document"]
    return opened and scope["method"] == "GET" and b"token=" in scope.get("query_string", b"")


def _climbs(path: str) -> bool:
    lowered = path.lower()
    if "\\" in path or "\0" in path or "%00" in lowered or "%5c" in lowered:
        return True
    parts = lowered.replace("%2e", ".").replace("%2f", "/").split("/")
    return ".." in parts


async def _answer(send: Send, status: int, text: str, headers: tuple = ()) -> None:
    body = (text + "\n").encode() if text else b""
    await send({"type": "http.response.start", "status": status, "headers": [
        (b"content-type", b"text/plain; charset=utf-8"), (b"content-length", str(len(body)).encode()), (b"cache-control", b"no-store"),
        *HEADERS, *headers, *(((b"connection", b"close"),) if status >= 400 else ()),
    ]})  # fmt: skip
    await send({"type": "http.response.body", "body": body})
