"""Who may see the page: one ASGI wrapper around everything, http and websocket alike.

Without a code the page answers to this machine's own names only, so that no web site can reach it through a browser
(a name that points here, or a websocket from another origin). With a code it answers to whoever entered it.
"""

from __future__ import annotations

import hashlib
import hmac
import html
import time
import urllib.parse
from collections import OrderedDict
from collections.abc import Awaitable, Callable, MutableMapping
from http.cookies import CookieError, SimpleCookie
from typing import Any

Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

CODE_VARIABLE = "STANDWATCH_PAGE_CODE"
"""The environment variable in which the page's process is given its code: arguments are seen by everybody."""
OWN_NAMES = ("127.0.0.1", "localhost", "[::1]")
ENTER = "/enter"
COOKIE = "standwatch_entry"
LONGEST_FORM = 1_024
TRIES = 5
TRIES_OF_ALL = 30
TRIES_WITHIN_S = 60.0
"""Wrong codes accepted in this time, from one address and from all together. A code of 8 of 31 signs then stands for
longer than anybody waits."""
MOST_ADDRESSES = 1_024

HEADERS = [
    (b"x-frame-options", b"DENY"),
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"same-origin"),
    (b"content-security-policy", b"frame-ancestors 'none'; form-action 'self'; base-uri 'self'"),
]


class Tries:
    """Counts wrong codes by address and altogether, over `TRIES_WITHIN_S`."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._wrong: OrderedDict[str, list[float]] = OrderedDict()
        self._all: list[float] = []

    def wait_s(self, address: str) -> float:
        """Return how long this address has to wait before it may try again; 0 when it may now."""
        since = self._clock() - TRIES_WITHIN_S
        self._all = [at for at in self._all if at > since]
        own = [at for at in self._wrong.get(address, ()) if at > since]
        waits = [own[-TRIES] - since if len(own) >= TRIES else 0.0]
        waits.append(self._all[-TRIES_OF_ALL] - since if len(self._all) >= TRIES_OF_ALL else 0.0)
        return max(waits)

    def wrong(self, address: str) -> None:
        """Count a wrong code."""
        now = self._clock()
        self._wrong[address] = [*self._wrong.get(address, ())[-TRIES:], now]
        self._wrong.move_to_end(address)
        while len(self._wrong) > MOST_ADDRESSES:
            self._wrong.popitem(last=False)
        self._all = [*self._all[-TRIES_OF_ALL:], now]


class Guard:
    """Wraps the page's app.

    Parameters
    ----------
    app : what is guarded; kept under this name, since the page's library looks for it through its wrappers.
    code : access code; empty for a page that only this machine sees.
    """

    def __init__(self, app: App, code: str = "", tries: Tries | None = None) -> None:
        self.app = app
        self._code = _plain(code)
        self._entry = hmac.new(self._code.encode(), b"standwatch entry", hashlib.sha256).hexdigest()
        self._tries = tries if tries is not None else Tries()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request through, or answer it here."""
        if scope["type"] not in ("http", "websocket"):
            await self.app(scope, receive, send)
            return
        headers = {name.decode("latin-1").lower(): value.decode("latin-1") for name, value in scope["headers"]}
        if not self._from_here(scope, headers):
            await _refuse(scope, send, 403, "This page answers to its own address only.")
        elif not self._code or self._entered(headers):
            await self.app(scope, receive, _with_headers(send))
        elif scope["type"] == "http" and scope["path"] == ENTER and scope["method"] == "POST":
            await self._enter(scope, receive, send)
        elif scope["type"] == "http" and scope["method"] in ("GET", "HEAD"):
            await _answer(send, 401, _form(""))
        else:
            await _refuse(scope, send, 401, "Enter the access code first.")

    def _from_here(self, scope: Scope, headers: dict[str, str]) -> bool:
        host = headers.get("host", "")
        if not self._code and host.rpartition(":")[0] not in OWN_NAMES and host not in OWN_NAMES:
            return False
        origin = headers.get("origin")
        changes = scope["type"] == "websocket" or scope["method"] not in ("GET", "HEAD", "OPTIONS")
        return origin is None or not changes or urllib.parse.urlsplit(origin).netloc == host

    def _entered(self, headers: dict[str, str]) -> bool:
        try:
            cookie = SimpleCookie(headers.get("cookie", "")).get(COOKIE)
        except CookieError:
            return False
        return cookie is not None and hmac.compare_digest(cookie.value.encode(), self._entry.encode())

    async def _enter(self, scope: Scope, receive: Receive, send: Send) -> None:
        address = str((scope.get("client") or ("unknown",))[0])
        wait_s = self._tries.wait_s(address)
        if wait_s > 0:
            said = f"Too many wrong codes. Try again in {wait_s:.0f} s."
            await _answer(send, 429, _form(said), [(b"retry-after", str(int(wait_s) + 1).encode())])
            return
        body = b""
        more = True
        while more and len(body) <= LONGEST_FORM:
            message = await receive()
            body += message.get("body", b"")
            more = bool(message.get("more_body", False)) and message["type"] == "http.request"
        given = urllib.parse.parse_qs(body[:LONGEST_FORM].decode("utf-8", "replace")).get("code", [""])[0]
        if not hmac.compare_digest(_plain(given).encode(), self._code.encode()):
            self._tries.wrong(address)
            await _answer(send, 401, _form("That is not the code. It stands in the terminal that runs the watch."))
            return
        cookie = f"{COOKIE}={self._entry}; HttpOnly; SameSite=Strict; Path=/; Max-Age=604800"
        await _answer(send, 303, "", [(b"location", b"/"), (b"set-cookie", cookie.encode())])


def _plain(code: str) -> str:
    """Return a code without case, spaces and dashes, as people type it."""
    return "".join(c for c in code.upper() if c.isalnum())


def _with_headers(send: Send) -> Send:
    async def sent(message: Message) -> None:
        if message["type"] == "http.response.start":
            message = {**message, "headers": [*message.get("headers", ()), *HEADERS]}
        await send(message)

    return sent


async def _refuse(scope: Scope, send: Send, status: int, text: str) -> None:
    if scope["type"] == "websocket":
        await send({"type": "websocket.close", "code": 1008, "reason": text})
    else:
        await _answer(send, status, _page(f"<p>{html.escape(text)}</p>"))


async def _answer(send: Send, status: int, body: str, headers: list[tuple[bytes, bytes]] | None = None) -> None:
    content = body.encode("utf-8")
    always = [
        (b"content-type", b"text/html; charset=utf-8"),
        (b"content-length", str(len(content)).encode()),
        (b"cache-control", b"no-store"),
    ]
    await send({"type": "http.response.start", "status": status, "headers": [*always, *HEADERS, *(headers or [])]})
    await send({"type": "http.response.body", "body": content})


def _form(said: str) -> str:
    alert = f'<p role="alert">{html.escape(said)}</p>' if said else ""
    return _page(
        f'<form method="post" action="{ENTER}"><label for="code">Access code</label>'
        '<input id="code" name="code" autocomplete="off" autocapitalize="characters" spellcheck="false" required '
        "autofocus>"
        f"{alert}<button>Open the watch</button></form>"
    )


def _page(body: str) -> str:
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8"><title>standwatch</title>'
        '<meta name="viewport" content="width=device-width, initial-scale=1"><style>'
        "body{font:22px system-ui,sans-serif;background:#0e141b;color:#f2f5f8;margin:0;padding:12vh 24px;display:grid;"
        "justify-items:center}form{display:grid;gap:16px;width:min(100%,22rem)}input,button{font:inherit;padding:16px;"
        "border-radius:10px;border:2px solid #8fa1b3;background:#18222d;color:inherit;letter-spacing:.1em}"
        "button{background:#ffd166;color:#10161d;border-color:#ffd166;font-weight:700;letter-spacing:0}"
        ":focus-visible{outline:4px solid #7cc7ff;outline-offset:3px}p[role=alert]{border-left:6px solid #ff9d8a;"
        "padding-left:12px;margin:0}</style></head><body><main><h1>standwatch</h1>"
        f"{body}</main></body></html>"
    )
