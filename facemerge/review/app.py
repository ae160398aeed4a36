"""The web application: what may be asked for, by whom, and what is answered.

It listens on this machine alone. The address holds a token that no other page knows; whoever does not have
it, or comes from another site or by another name, gets an empty answer. People and frames are asked for by
ids and numbers, never by paths.
"""

from __future__ import annotations

import asyncio
import json
import re
import secrets
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from facemerge.errors import FacemergeError
from facemerge.review.session import Session, StaleError

MOST_BODY_BYTES = 1 << 20
"""A stroke of a minute is some 60 KB."""
WAIT_S = 25.0
LOOK_AGAIN_S = 0.05
"""How often a page that waits is looked after."""

_ALWAYS = {
    "content-security-policy": (
        "default-src 'self'; img-src 'self' blob: data:; style-src 'self'; script-src 'self'; "
        "frame-ancestors 'none'; base-uri 'none'; form-action 'none'"
    ),
    "referrer-policy": "no-referrer",
    "x-content-type-options": "nosniff",
    "cross-origin-resource-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
}
_KINDS = {
    ".html": "text/html; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
    ".png": "image/png",
}
_KEEP = {"cache-control": "private, max-age=31536000, immutable"}
_STATIC = Path(__file__).parent / "static"


def new_token() -> str:
    """Return a token that nobody can guess."""
    return secrets.token_urlsafe(24)


def application(
    session: Session, token: str, port: int, ending: Callable[[], bool] = lambda: False
) -> ASGIApp:
    """Return the web application of a review.

    Parameters
    ----------
    session
        The review.
    token
        The first part of every path.
    port
        Where it listens on 127.0.0.1.
    ending
        Whether the review is about to end: no page is to wait for news then.
    """
    answers = _Answers(session, ending)
    app = Starlette(
        routes=[
            Route("/", answers.page),
            Route("/api/state", answers.state),
            Route("/api/wait", answers.wait),
            Route("/api/face/{person}/{frame:int}/{version:int}.jpg", answers.face),
            Route("/api/picture/{version:int}.jpg", answers.composite),
            Route("/api/base/{version:int}.jpg", answers.base),
            Route("/api/part/{version:int}/{what}.jpg", answers.part),
            Route("/api/mask/{version:int}/{person}.png", answers.mask),
            Route("/api/change", answers.change, methods=["POST"]),
            Route("/api/save", answers.save, methods=["POST"]),
            Route("/{name}", answers.static),
        ],
        exception_handlers={HTTPException: _empty},
    )
    app.router.redirect_slashes = False
    return Guard(app, token, port)


async def _empty(request: Request, error: Exception) -> Response:
    # What is not there and what may not be asked for look the same.
    return Response(status_code=404)


class Guard:
    """Lets through only what comes from the review's own page on this machine."""

    def __init__(self, app: ASGIApp, token: str, port: int) -> None:
        """Take what answers, the token, and the port at which it is asked."""
        self._app = app
        self._token = token.encode()
        self._hosts = {f"127.0.0.1:{port}", f"localhost:{port}"}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request, or refuse it."""
        if scope["type"] != "http":
            return
        headers = Headers(scope=scope)
        path = self._path(scope["path"])
        if path is None or not self._from_here(headers) or scope["method"] not in ("GET", "HEAD", "POST"):
            await _refuse(404, send)
        elif scope["method"] == "POST" and headers.get("x-facemerge") != "1":
            await _refuse(403, send)
        elif scope["method"] == "POST" and _kind_of(headers) != "application/json":
            await _refuse(415, send)
        else:
            inner = {**scope, "path": path, "raw_path": path.encode(), "root_path": ""}
            await self._app(inner, receive, _with_headers(send))

    def _path(self, path: str) -> str | None:
        """Return what follows the token, None if that is not ours."""
        _, _, rest = path.partition("/")
        token, slash, inner = rest.partition("/")
        if not secrets.compare_digest(token.encode("utf-8", "replace"), self._token) or not slash:
            return None
        return f"/{inner}"

    def _from_here(self, headers: Headers) -> bool:
        hosts, origins = headers.getlist("host"), headers.getlist("origin")
        return (
            len(hosts) == 1
            and hosts[0] in self._hosts
            and all(origin == f"http://{hosts[0]}" for origin in origins)
        )


def _kind_of(headers: Headers) -> str:
    return headers.get("content-type", "").partition(";")[0].strip().lower()


async def _refuse(status: int, send: Send) -> None:
    headers = [(b"content-length", b"0"), (b"cache-control", b"no-store")]
    headers += [(name.encode(), value.encode()) for name, value in _ALWAYS.items()]
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": b""})


def _with_headers(send: Send) -> Send:
    async def sent(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(raw=message["headers"])
            message = {**message, "headers": headers.raw}
            for name, value in _ALWAYS.items():
                headers[name] = value
            headers.setdefault("cache-control", "no-store")
        await send(message)

    return sent


class _Answers:
    """One method a path. What takes long runs in a thread: plain methods do so by themselves."""

    def __init__(self, session: Session, ending: Callable[[], bool]) -> None:
        self._session = session
        self._ending = ending
        # Looked up by name, so that no path is ever joined to another.
        self._files = {p.name: p for p in _STATIC.iterdir() if p.suffix in _KINDS and p.is_file()}

    # -- the page -------------------------------------------------------------------------------------------

    def page(self, request: Request) -> Response:
        return self._file("index.html")

    def static(self, request: Request) -> Response:
        return self._file(request.path_params["name"])

    def _file(self, name: str) -> Response:
        path = self._files.get(name)
        if path is None:
            raise HTTPException(404)
        return Response(path.read_bytes(), headers={"content-type": _KINDS[path.suffix]})

    # -- looking --------------------------------------------------------------------------------------------

    def state(self, request: Request) -> Response:
        return JSONResponse(self._session.state())

    async def wait(self, request: Request) -> Response:
        """Answer when there is something new, or when a page has waited long enough."""
        version = _number(request.query_params.get("version"))
        saving = request.query_params.get("saving")
        known = (version, self._session.mark[1] if saving is None else saving in ("1", "true"))
        until_s = time.monotonic() + WAIT_S
        while self._session.mark == known and time.monotonic() < until_s:
            if self._ending() or await request.is_disconnected():
                break
            await asyncio.sleep(LOOK_AGAIN_S)
        return JSONResponse(self._session.state())

    def face(self, request: Request) -> Response:
        person, frame = request.path_params["person"], request.path_params["frame"]
        if frame >= self._session.frame_count():
            raise HTTPException(404)
        return _picture(lambda: self._session.faces.picture(person, frame))

    def composite(self, request: Request) -> Response:
        shown = self._shown(request)
        return _picture(lambda: self._session.engine.composite(shown))

    def base(self, request: Request) -> Response:
        shown = self._shown(request)
        return _picture(lambda: self._session.engine.base(shown))

    def part(self, request: Request) -> Response:
        shown, what, asked = self._shown(request), request.path_params["what"], request.query_params
        x, y, w, h = (_number(asked.get(name)) for name in "xywh")
        zoom = _number(asked.get("zoom", "1"))
        if what not in ("composite", "base", "donor", "difference") or zoom not in (1, 2) or w < 1 or h < 1:
            raise HTTPException(404)
        person = asked.get("person", "")
        return _picture(lambda: self._session.engine.part(shown, what, (x, y, w, h), zoom, person))

    def mask(self, request: Request) -> Response:
        shown, person = self._shown(request), request.path_params["person"]
        return _picture(lambda: self._session.engine.mask(shown, person), "image/png")

    def _shown(self, request: Request) -> Any:
        shown = self._session.shown(request.path_params["version"])
        if shown is None:
            raise HTTPException(404)
        return shown

    # -- changing -------------------------------------------------------------------------------------------

    async def change(self, request: Request) -> Response:
        asked = await _said(request)
        if isinstance(asked, Response):
            return asked
        version, do = asked.get("version"), asked.get("do")
        if isinstance(version, bool) or not isinstance(version, int):
            return self._problem("A change says which version it is made to.", 422)
        return await run_in_threadpool(self._tried, lambda: self._session.change(version, do), None)

    async def save(self, request: Request) -> Response:
        asked = await _said(request)
        if isinstance(asked, Response):
            return asked
        version = asked.get("version")
        if isinstance(version, bool) or not isinstance(version, int):
            return self._problem("Saving needs the version that is shown.", 422)
        return await run_in_threadpool(self._tried, lambda: self._session.save(version), {"started": True})

    def _tried(self, do: Callable[[], None], answer: dict[str, Any] | None) -> Response:
        try:
            do()
        except StaleError:
            return JSONResponse(self._session.state(), 409)
        except FacemergeError as error:
            return self._problem(str(error), 422)
        return JSONResponse(self._session.state() if answer is None else answer)

    def _problem(self, sentence: str, status: int) -> Response:
        return JSONResponse(self._session.state() | {"error": sentence}, status)


async def _said(request: Request) -> dict[str, Any] | Response:
    """Return what a request says, or the answer that refuses it."""
    body = b""
    async for piece in request.stream():
        body += piece
        if len(body) > MOST_BODY_BYTES:
            return Response(status_code=413)
    try:
        said = json.loads(body)
    except (ValueError, RecursionError):
        return Response(status_code=400)
    return said if isinstance(said, dict) else Response(status_code=400)


def _number(text: str | None) -> int:
    """Return a whole number of a query, rounded if it is none."""
    if text is None or not re.fullmatch(r"-?\d{1,9}(\.\d{1,9})?", text):
        raise HTTPException(404)
    return round(float(text))


def _picture(make: Callable[[], bytes | None], kind: str = "image/jpeg") -> Response:
    try:
        data = make()
    except FacemergeError:
        # The frame is gone: there is nothing to show. What is said of it comes with the next change.
        data = None
    if data is None:
        raise HTTPException(404)
    return Response(data, media_type=kind, headers=_KEEP)
