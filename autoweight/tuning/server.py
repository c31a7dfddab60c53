"""One page on the loopback address, and who may reach it."""

from __future__ import annotations

import asyncio
import base64
import contextlib
import hashlib
import hmac
import json
import re
import socket
from collections.abc import AsyncIterator
from importlib.resources import files
from typing import Any

import numpy as np
import uvicorn
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import HTMLResponse, PlainTextResponse, Response
from starlette.routing import Route, WebSocketRoute
from starlette.types import ASGIApp, Receive, Scope, Send
from starlette.websockets import WebSocket, WebSocketDisconnect

from autoweight.recipes.profiles import SHAPES, curve
from autoweight.recipes.recipe import Recipe
from autoweight.tuning.forms import form
from autoweight.tuning.live import Live, Page
from autoweight.view.page import contents, laid_out, motion, scripts, told_clip

__all__ = ["application", "listening", "made"]

LOOPBACK = "127.0.0.1"

LARGEST = 1 << 24
"""Bytes of a message from a page; a stroke over four million vertices."""


def listening(port: int) -> socket.socket:
    """A socket on the loopback address, before anything is worked out.

    Raises
    ------
    OSError
        The port is taken.
    """
    made = socket.socket()
    made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    made.bind((LOOPBACK, port))
    return made


def made(live: Live, at: socket.socket, secret: str) -> uvicorn.Server:
    """The server of a page, ready to `run` at a socket."""
    config = uvicorn.Config(
        application(live, at.getsockname()[1], secret),
        log_level="warning",
        access_log=False,
        server_header=False,
        proxy_headers=False,
        ws="websockets-sansio",
        ws_max_size=LARGEST,
        timeout_graceful_shutdown=1,
    )
    return uvicorn.Server(config)


def application(live: Live, port: int, secret: str) -> ASGIApp:
    """The page, its arrays and its socket.

    Parameters
    ----------
    live : Live
    port : int
        Where it is served.
    secret : str
        The first part of every path.
    """

    @contextlib.asynccontextmanager
    async def working(app: Starlette) -> AsyncIterator[None]:
        work = asyncio.create_task(live.run())
        try:
            yield
        finally:
            work.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await work
            live.desk.keep()

    async def page(request: Request) -> Response:
        live.make_way()
        text = _page(live)
        return HTMLResponse(text, headers={"Content-Security-Policy": _policy(text, port)})

    kept: dict[str, Any] = {"session": None}

    async def array(request: Request) -> Response:
        if kept["session"] is not live.desk.session:
            kept.update(session=live.desk.session, arrays=_arrays(live))
        found = kept["arrays"].get(request.path_params["name"])
        if found is None:
            return PlainTextResponse("there is nothing of this name", 404)
        return Response(found.tobytes(), media_type="application/octet-stream")

    async def talk(websocket: WebSocket) -> None:
        await websocket.accept()
        here = Page()
        live.greet(here)
        sending = asyncio.create_task(_sending(websocket, here))
        try:
            while True:
                came = await websocket.receive()
                if came["type"] == "websocket.disconnect":
                    break
                await live.take(here, came.get("bytes") or came.get("text") or b"")
        finally:
            live.leave(here)
            sending.cancel()

    app = Starlette(
        routes=[
            Route(f"/{secret}/", page),
            Route(f"/{secret}/data/{{name}}", array),
            WebSocketRoute(f"/{secret}/talk", talk),
        ],
        lifespan=working,
    )
    return _Guard(app, port, secret)


async def _sending(websocket: WebSocket, page: Page) -> None:
    with contextlib.suppress(WebSocketDisconnect, RuntimeError):  # it went away meanwhile
        while (message := await page.waiting.get()) is not None:
            if isinstance(message, bytes):
                await websocket.send_bytes(message)
            else:
                await websocket.send_text(json.dumps(message))
        await websocket.close()


class _Guard:
    """Lets through only who knows the secret, and comes from the page itself.

    The name in ``Host`` tells a page of a site whose name was made to point here; ``Origin`` and
    ``Sec-Fetch-Site`` tell every other page of the browser.
    """

    def __init__(self, app: ASGIApp, port: int, secret: str) -> None:
        self.app = app
        self.hosts = {f"{name}:{port}".encode() for name in (LOOPBACK, "localhost")}
        self.origins = {b"http://" + host for host in self.hosts}
        self.secret = secret.encode()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "lifespan" or self.welcome(scope):
            await self.app(scope, receive, _sealed(send))
        elif scope["type"] == "websocket":
            await send({"type": "websocket.close", "code": 1008})
        else:
            await PlainTextResponse("not here", 404)(scope, receive, _sealed(send))

    def welcome(self, scope: Scope) -> bool:
        """Whether a request or a socket may come in."""
        found: dict[bytes, list[bytes]] = {}
        for name, value in scope["headers"]:
            found.setdefault(name, []).append(value)
        hosts, origins = found.get(b"host", []), found.get(b"origin", [])
        said = scope["path"].split("/")[1].encode()
        socket = scope["type"] == "websocket"
        return (
            hmac.compare_digest(said, self.secret)
            and len(hosts) == 1
            and hosts[0] in self.hosts
            and len(origins) <= 1
            and all(each in self.origins for each in origins)
            and (bool(origins) or not socket)
            and all(each in (b"same-origin", b"none") for each in found.get(b"sec-fetch-site", []))
            and (socket or scope["method"] == "GET")
        )


def _sealed(send: Send) -> Send:
    """Responses that no other page may keep, frame or embed, and that name no address on."""

    async def sending(message: Any) -> None:
        if message["type"] == "http.response.start":
            message["headers"] = [
                *message["headers"],
                (b"cache-control", b"no-store"),
                (b"referrer-policy", b"no-referrer"),
                (b"x-content-type-options", b"nosniff"),
                (b"x-frame-options", b"DENY"),
                (b"cross-origin-resource-policy", b"same-origin"),
                (b"cross-origin-opener-policy", b"same-origin"),
            ]
        await send(message)

    return sending


def _policy(text: str, port: int) -> str:
    """The page runs what it was made with, and talks to where it came from."""
    script, style = (
        base64.b64encode(hashlib.sha256(found.group(1).encode()).digest()).decode()
        for pattern in (r'<script type="module">(.*?)</script>', r"<style>(.*?)</style>")
        if (found := re.search(pattern, text, re.DOTALL))
    )
    ours = " ".join(f"ws://{name}:{port}" for name in (LOOPBACK, "localhost"))
    return (
        f"default-src 'none'; script-src 'sha256-{script}'; style-src 'sha256-{style}'; "
        f"connect-src 'self' {ours}; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    )


def _page(live: Live) -> str:
    rig = live.desk.rig
    layers = {name: values for name, values in rig.attributes.items() if values.ndim == 1}
    meta, _ = contents(
        rig,
        title=live.path.stem,
        weightings=("saved", "now"),
        clip=live.clips[0],
        layers=layers,
        surface=live.desk.session.surface,
    )
    meta["motions"] = [{"name": clip.name, **told_clip(clip)} for clip in live.clips]
    meta["parts"] = [part.name for part in rig.mesh.parts]
    meta["mirrored"] = bool((live.twin >= 0).any())
    meta["form"] = form(Recipe)
    at = np.linspace(0, 1, 17)
    meta["shapes"] = {
        name: np.stack([at, curve(name, at)], axis=1).round(4).tolist() for name in SHAPES
    }
    ours = {name: _source(f"{name}.html") for name in ("desk", "beside", "below")}
    return laid_out(
        meta,
        script=_source("fetched.js") + scripts() + _source("tune.js") + _source("forms.js"),
        style=_source("tune.css"),
        **ours,
    )


def _arrays(live: Live) -> dict[str, np.ndarray]:
    rig, surface = live.desk.rig, live.desk.session.surface
    layers = {name: values for name, values in rig.attributes.items() if values.ndim == 1}
    _, arrays = contents(rig, title="", weightings=(), layers=layers, surface=surface)
    for number, clip in enumerate(live.clips):
        arrays[f"clip{number}"] = motion(clip)
    arrays["clip"] = arrays["clip0"]
    arrays["weld"] = surface.weld.astype("<u4")
    arrays["twin"] = live.twin.astype("<i4")
    for number in range(2):  # weights come by the socket
        arrays[f"counts{number}"] = np.zeros(len(surface.weld), dtype="<u2")
        arrays[f"joint{number}"] = np.empty(0, dtype="<u2")
        arrays[f"weight{number}"] = np.empty(0, dtype="<f4")
    return arrays


def _source(name: str) -> str:
    return files(__package__).joinpath("page", name).read_text()
