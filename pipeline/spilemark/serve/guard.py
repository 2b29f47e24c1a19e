"""Who may ask, and what a page may do: checked before anything else sees a request.

Against pages of strangers in the same browser: a host name that is not ours is
refused (a name may be made to point here after it was loaded), every change
must come from our own origin *and* carry a header that no plain form can send.
Answers allow a browser nothing but our own files, and no script or style
within a page.
"""

from __future__ import annotations

from collections.abc import Callable

from starlette.types import ASGIApp, Message, Receive, Scope, Send

HEADER, HEADER_VALUE = "x-spilemark", "bench"
"""What every change carries beside its origin."""
_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; "
    "connect-src 'self'; font-src 'self'; manifest-src 'self'; form-action 'none'; "
    "base-uri 'none'; frame-ancestors 'none'"
)
_ALWAYS: tuple[tuple[bytes, bytes], ...] = (
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"no-referrer"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"x-frame-options", b"DENY"),
    (b"permissions-policy", b"camera=(), microphone=(), geolocation=(), payment=()"),
)
_LONGEST_PATH = 300
_LOOKING = ("GET", "HEAD")


class Guard:
    """ASGI middleware; see the module.

    Parameters
    ----------
    app : ASGIApp
    hosts : callable
        Hands back the ``host:port`` names under which the page may be asked for now.
    """

    def __init__(self, app: ASGIApp, hosts: Callable[[], frozenset[str]]) -> None:
        self._app, self._hosts = app, hosts

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Refuse, or pass on with the headers of every answer."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            return
        reason = self._reason(scope)
        if reason:
            await _refuse(send, *reason)
            return

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = list(message.get("headers", []))
                named = {name.lower() for name, _ in headers}
                headers += [(n, v) for n, v in _ALWAYS if n not in named]
                if b"content-security-policy" not in named:
                    headers.append((b"content-security-policy", _POLICY.encode()))
                if b"cache-control" not in named:
                    headers.append((b"cache-control", b"no-store"))
                message = {**message, "headers": headers}
            await send(message)

        await self._app(scope, receive, send_with_headers)

    def _reason(self, scope: Scope) -> tuple[int, str] | None:
        """Why a request is refused; None where it is not."""
        headers: dict[str, list[str]] = {}
        for name, value in scope["headers"]:
            headers.setdefault(name.decode("latin-1").lower(), []).append(value.decode("latin-1"))
        hosts = headers.get("host", [])
        if len(hosts) != 1 or hosts[0].lower() not in self._hosts():
            return 421, "This page is not known under that name."
        if len(scope.get("raw_path") or scope["path"]) > _LONGEST_PATH:
            return 414, "That address is too long."
        method, site = scope["method"], headers.get("sec-fetch-site", ["none"])
        if method in _LOOKING:
            # A link from elsewhere may open a page; it may not fetch pictures or numbers.
            if site[0] == "cross-site" and headers.get("sec-fetch-mode") != ["navigate"]:
                return 403, "Another page may not look in here."
            return None
        if method != "POST":
            return 405, "That cannot be done here."
        if headers.get("origin") != [f"http://{hosts[0].lower()}"]:
            return 403, "That was not asked for on this page."
        if headers.get(HEADER) != [HEADER_VALUE] or site[0] not in ("same-origin", "none"):
            return 403, "That was not asked for on this page."
        return None


async def _refuse(send: Send, status: int, words: str) -> None:
    headers = [*_ALWAYS, (b"content-type", b"text/plain; charset=utf-8"),
               (b"content-security-policy", _POLICY.encode()), (b"connection", b"close")]  # fmt: skip
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": words.encode()})
