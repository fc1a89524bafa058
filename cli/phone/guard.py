"""In front of everything: who comes in, how much may be sent, and the headers that keep a page to itself."""

from __future__ import annotations

import math
from collections.abc import Callable
from http.cookies import CookieError, SimpleCookie
from urllib.parse import parse_qs, urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from cli.phone.access import Access

MOST_FORM_BYTES = 64 * 2**10
_SAFE = ("GET", "HEAD", "OPTIONS")
HEADERS = {
    "content-security-policy": "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; "
                               "connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'",
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",  # with no-referrer a form of our own would say that it comes from nowhere
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "geolocation=(), microphone=(), payment=()",
    "cache-control": "no-store",
}

Refuse = Callable[[Scope, int, str, str], Response]  # status, code, sentence -> page or JSON


class Guard:
    """ASGI middleware.  open_paths: what anybody may have, as it holds no secret (styles, script)."""

    def __init__(self, app: ASGIApp, access: Access, refuse: Refuse, open_paths: tuple[str, ...]) -> None:
        self.app, self.access, self.refuse, self.open_paths = app, access, refuse, open_paths

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request in, or answer it here."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        answer = self._stopped(scope)
        if answer is None and not _is_photo(scope):
            body = await _whole(receive)
            if body is None:
                answer = self.refuse(scope, 413, "too-large", "More was sent than this page ever sends. Reload the "
                                     "page, and try again.")
            else:
                receive = _replayed(body, receive)
        await (answer or self.app)(scope, receive, _with_headers(send))

    def _stopped(self, scope: Scope) -> Response | None:
        """The answer for somebody who may not go on, or None."""
        headers = Headers(scope=scope)
        if scope["path"].startswith(self.open_paths):
            return None
        offered = parse_qs(scope["query_string"].decode("latin-1")).get("code", [""])[0]
        if scope["path"] == "/" and offered and scope["method"] in _SAFE:
            return self._offered(scope, offered)
        if scope["path"] != "/enter" and not self.access.right(_cookie(headers, self.access.cookie)):
            return self._wrong(scope)
        if scope["method"] not in _SAFE and not _from_here(headers):
            return self.refuse(scope, 403, "elsewhere", "This was asked by another site's page. Open the page by its "
                               "QR code, and do it there.")
        return None

    def _offered(self, scope: Scope, code: str) -> Response:
        """In, or told to wait where wrong codes came too often."""
        address = _address(scope)
        if self.access.right(code):
            return entered(code, self.access)
        if not _is_part_of_another_page(Headers(scope=scope)):
            if wait_s := self.access.must_wait_s(address):
                return must_wait(self.refuse, scope, wait_s)
            self.access.tried(address)
        return self._wrong(scope)

    def _wrong(self, scope: Scope) -> Response:
        return self.refuse(scope, 401, "code", "This phone has no access. Scan the QR code that the computer shows, "
                           "or type its code.")


def entered(code: str, access: Access) -> Response:
    """The way in: the code into a cookie, and out of the address."""
    answer = RedirectResponse("/", 303)
    answer.set_cookie(access.cookie, code.strip(), max_age=14 * 24 * 3600, httponly=True, samesite="lax")
    return answer


def must_wait(refuse: Refuse, scope: Scope, wait_s: float) -> Response:
    """What is told where wrong codes came too often."""
    answer = refuse(scope, 429, "wait", "Too many wrong codes came from this phone. Scan the QR code that the computer "
                    f"shows, or wait {math.ceil(wait_s)} seconds before the next code is typed.")
    answer.headers["retry-after"] = str(math.ceil(wait_s))
    return answer


def _address(scope: Scope) -> str:
    return scope["client"][0] if scope.get("client") else ""


def _cookie(headers: Headers, name: str) -> str:
    try:
        found = SimpleCookie(headers.get("cookie", "")).get(name)
    except CookieError:
        return ""
    return found.value if found else ""


def _is_part_of_another_page(headers: Headers) -> bool:
    """Whether another site's page asked for it as a picture, frame or the like: nobody offered a code then."""
    visit = headers.get("sec-fetch-mode") == "navigate" and headers.get("sec-fetch-dest") in (None, "document")
    return headers.get("sec-fetch-site") == "cross-site" and not visit


def _from_here(headers: Headers) -> bool:
    """Whether a change was asked by our own page: browsers say where a request comes from."""
    site = headers.get("sec-fetch-site")
    origin = headers.get("origin")
    return site in (None, "same-origin", "none") and origin in (None, f"http://{headers.get('host')}",
                                                                f"https://{headers.get('host')}")


def _is_photo(scope: Scope) -> bool:
    """Whether the body is a photo, which is counted where it is taken in."""
    path: str = scope["path"]
    return bool(scope["method"] == "PUT") and path.startswith("/api/photos/") and path.count("/") == 3


async def _whole(receive: Receive) -> bytes | None:
    """All of a body that is no photo; None where it is longer than 64 KiB."""
    body = bytearray()
    while True:
        message = await receive()
        body += message.get("body", b"")
        if len(body) > MOST_FORM_BYTES:
            return None
        if message["type"] != "http.request" or not message.get("more_body", False):
            return bytes(body)


def _replayed(body: bytes, receive: Receive) -> Receive:
    """The body once more, for the app."""
    messages: list[Message] = [{"type": "http.request", "body": body, "more_body": False}]

    async def again() -> Message:
        return messages.pop() if messages else await receive()

    return again


def _with_headers(send: Send) -> Send:
    async def sent(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for name, value in HEADERS.items():
                headers.setdefault(name, value)
        await send(message)

    return sent


def path_of(url: str) -> str:
    """The path of a link to this very site, or "/": a page to go back to, never another site."""
    parts = urlsplit(url)
    fits = not parts.scheme and not parts.netloc and parts.path.startswith("/") and "\\" not in url
    return url if fits else "/"
