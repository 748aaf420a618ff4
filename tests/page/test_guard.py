"""Who is let in: the wrapper alone, by what a server would send it."""

from __future__ import annotations

import urllib.parse
from typing import Any

import pytest

from collector.page.guard import TRIES, TRIES_OF_ALL, TRIES_WITHIN_S, Guard, Tries

CODE = "K7WM-3QXA"


async def app(scope: Any, receive: Any, send: Any) -> None:
    """What is guarded: says that it was reached."""
    if scope["type"] == "websocket":
        await send({"type": "websocket.accept"})
    else:
        await send({"type": "http.response.start", "status": 200, "headers": []})
        await send({"type": "http.response.body", "body": b"inside"})


class Asked:
    """What came back: `status` is 200 also for a websocket that was accepted, 403 for one that was closed at once."""

    def __init__(self) -> None:
        self.status, self.body, self.headers = 0, b"", {}

    async def send(self, message: Any) -> None:
        """Take a message from the app."""
        if message["type"] == "http.response.start":
            self.status = message["status"]
            self.headers = {k.decode(): v.decode() for k, v in message["headers"]}
        elif message["type"] == "http.response.body":
            self.body += message["body"]
        else:
            self.status = 200 if message["type"] == "websocket.accept" else 403


async def ask(
    guard: Guard,
    kind: str = "http",
    *,
    method: str = "GET",
    path: str = "/",
    form: str = "",
    address: str = "192.0.2.7",
    **headers: str,
) -> Asked:
    """Send one request through the guard."""
    headers = {"host": "127.0.0.1:8431", **headers}
    scope = {
        "type": kind,
        "method": method,
        "path": path,
        "client": (address, 1),
        "headers": [(k.encode(), v.encode()) for k, v in headers.items()],
    }

    async def receive() -> dict[str, Any]:
        return {"type": "http.request", "body": urllib.parse.urlencode({"code": form}).encode(), "more_body": False}

    asked = Asked()
    await guard(scope, receive, asked.send)
    return asked


async def enter(guard: Guard, code: str, address: str = "192.0.2.7") -> Asked:
    """Send the form with a code."""
    return await ask(guard, method="POST", path="/enter", form=code, address=address)


@pytest.mark.parametrize("kind", ["http", "websocket"])
@pytest.mark.parametrize(
    ("host", "allowed"),
    [
        ("127.0.0.1:8431", True),
        ("localhost:8431", True),
        ("[::1]:8431", True),
        ("rebound.example:8431", False),
        ("127.0.0.1.rebound.example", False),
        ("", False),
    ],
)
async def test_without_a_code_only_this_machine_by_its_own_names(kind: str, host: str, allowed: bool) -> None:
    assert (await ask(Guard(app), kind, host=host)).status == (200 if allowed else 403)


@pytest.mark.parametrize("code", ["", CODE])
async def test_another_site_gets_no_websocket_and_no_post(code: str) -> None:
    guard = Guard(app, code)
    cookie = "" if not code else (await enter(guard, CODE)).headers["set-cookie"].partition(";")[0]
    for origin, status in (("http://127.0.0.1:8431", 200), ("http://elsewhere.example", 403), ("null", 403)):
        assert (await ask(guard, "websocket", origin=origin, cookie=cookie)).status == status
        assert (await ask(guard, method="POST", origin=origin, cookie=cookie)).status == status


async def test_with_a_code_nothing_is_reached_before_it_is_entered() -> None:
    guard = Guard(app, CODE)
    assert (await ask(guard, "websocket")).status == 403
    for path in ("/", "/_nicegui/anything.js", "/_nicegui_ws/socket.io/", "/enter"):
        asked = await ask(guard, path=path)
        assert asked.status == 401
        assert b"inside" not in asked.body
    assert (await ask(guard, cookie="standwatch_entry=guess")).status == 401
    assert (await ask(guard, "websocket", cookie="standwatch_entry=guess; a=b")).status == 403


async def test_the_code_opens_http_and_websocket_also_after_a_restart() -> None:
    guard = Guard(app, CODE)
    asked = await enter(guard, " k7wm 3qxa ")
    assert (asked.status, asked.headers["location"]) == (303, "/")
    cookie = asked.headers["set-cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=Strict" in cookie
    given = cookie.partition(";")[0]
    for each in (guard, Guard(app, CODE)):
        assert (await ask(each, cookie=given)).body == b"inside"
        assert (await ask(each, "websocket", cookie=given)).status == 200
    assert (await ask(Guard(app, "ANOTHER2"), cookie=given)).status == 401


async def test_wrong_codes_are_limited_by_address_and_altogether() -> None:
    now = [0.0]
    guard = Guard(app, CODE, Tries(lambda: now[0]))
    for _ in range(TRIES):
        assert (await enter(guard, "WRONG")).status == 401
    refused = await enter(guard, CODE)
    assert refused.status == 429, "not even the right code is looked at now"
    assert int(refused.headers["retry-after"]) <= TRIES_WITHIN_S + 1
    assert (await enter(guard, CODE, "192.0.2.8")).status == 303
    now[0] += TRIES_WITHIN_S + 1
    assert (await enter(guard, CODE)).status == 303
    for each in range(TRIES_OF_ALL):
        assert (await enter(guard, "WRONG", f"198.51.100.{each}")).status == 401
    assert (await enter(guard, "WRONG", "203.0.113.1")).status == 429


async def test_a_form_that_does_not_end_is_bounded() -> None:
    guard = Guard(app, CODE)
    sent = 0

    async def receive() -> dict[str, Any]:
        nonlocal sent
        sent += 1
        return {"type": "http.request", "body": b"x" * 512, "more_body": True}

    asked = Asked()
    scope = {"type": "http", "method": "POST", "path": "/enter", "headers": [(b"host", b"a")], "client": None}
    await guard(scope, receive, asked.send)
    assert asked.status == 401
    assert sent < 10
