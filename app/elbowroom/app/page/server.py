"""The server: on the loopback address only, behind the guard, with the few routes that are not the page itself."""

from __future__ import annotations

import os
import socket
from pathlib import Path
from urllib.parse import quote

from fastapi import Request, Response
from fastapi.responses import FileResponse, PlainTextResponse

from elbowroom.app.page.desk import Desk
from elbowroom.app.page.guard import Guard
from elbowroom.app.page.intake import check_photo_start, check_tag_size, checked_name
from elbowroom.app.page.pictures import Pictures
from elbowroom.app.page.shop import Shop
from elbowroom.shared.errors import ElbowroomError, InputError, StoreError

ADDRESS = "127.0.0.1"

RECONNECT_S = 600.0
"""How long a page whose connection dropped may come back to where it was."""


def serve(path: Path | None, *, author: str, port: int = 0, browser: bool = True) -> None:
    """Serve the page until stopped from the keyboard.

    Parameters
    ----------
    path : Path, optional
        The job's scene file; the page asks when left out.
    author : str
        Goes into the revisions.
    port : int
        Port on the loopback address; 0 takes any free one.
    browser : bool
        Open the page in the browser.

    Raises
    ------
    InputError
        When the port is taken.
    StoreError
        When the job can't be opened.
    """
    from nicegui import app, ui

    from elbowroom.app.page.sheet import show_page

    shop = Shop(
        folder=path.parent if path else Path.cwd(), author=author, desk=Desk(path, author) if path else None
    )
    port = _free_port(port)
    hosts = [f"{name}:{port}" for name in (ADDRESS, "localhost")]
    hosts += [ADDRESS, "localhost"] if port == 80 else []
    _add_routes(app, shop)
    app.add_middleware(Guard, hosts=hosts)
    app.on_shutdown(shop.close)

    @ui.page("/")
    def job_page(op: int = 10) -> None:
        show_page(shop, op)

    print(f"the page is at http://{ADDRESS}:{port}/ (this machine only; stop it with Ctrl-C)", flush=True)
    ui.run(
        host=ADDRESS,
        port=port,
        title="Elbowroom",
        favicon=Path(__file__).parent / "mark.svg",
        show=browser,
        reload=False,
        tailwind=False,
        reconnect_timeout=RECONNECT_S,
        show_welcome_message=False,
    )


def _free_port(port: int) -> int:
    """Return the port asked for if it is free, or any free one for 0."""
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as s:
        if (
            os.name == "posix"
        ):  # else a port just left stays shut for a minute; elsewhere the option means stealing it
            s.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            s.bind((ADDRESS, port))
        except OSError as error:
            raise InputError(
                f"the port can't be used ({error.strerror})",
                where="--port",
                value=port,
                todo="choose another",
            ) from error
        return int(s.getsockname()[1])


def _add_routes(app: object, shop: Shop) -> None:
    from nicegui import App

    assert isinstance(app, App)
    pictures = Pictures()

    @app.exception_handler(ElbowroomError)
    async def explain(_: Request, error: Exception) -> Response:
        return PlainTextResponse(str(error), status_code=409 if isinstance(error, StoreError) else 400)

    @app.get("/picture/{digest}/{width_px}")
    def picture(digest: str, width_px: int) -> Response:
        data = pictures.of(shop.open_desk(), digest, width_px)
        return Response(data, media_type="image/jpeg", headers={"cache-control": "private, max-age=86400"})

    @app.get("/drawn/{revision}/{digest}")
    def drawn(revision: int, digest: str) -> Response:
        return Response(shop.drawn(digest), media_type="image/jpeg", headers={"cache-control": "no-store"})

    @app.post("/in/{token}/{kind}")
    async def take_in(token: str, kind: str, name: str, request: Request) -> Response:
        batch, name, data = shop.batch(token), checked_name(name), bytearray()
        async for part in request.stream():
            data += part
            if kind == "tags":
                check_tag_size(name, len(data))
        if kind == "photo":
            check_photo_start(name, bytes(data[:64]))
        batch.add(name, bytes(data))
        return PlainTextResponse("taken")

    @app.get("/out/{revision}/{number}")
    def hand_out(revision: int, number: int) -> Response:
        path = shop.written_file(revision, number)
        disposition = f"attachment; filename*=UTF-8''{quote(path.name)}"
        return FileResponse(path, headers={"content-disposition": disposition, "cache-control": "no-store"})

    @app.get("/job.elbow")
    def hand_over() -> Response:
        path = shop.copied_job()
        name = quote(shop.open_desk().path.name)
        return FileResponse(
            path,
            headers={
                "content-disposition": f"attachment; filename*=UTF-8''{name}",
                "cache-control": "no-store",
            },
        )

    @app.get("/solid/{revision}.glb")
    def solid(revision: int) -> Response:
        return FileResponse(
            shop.solid(), media_type="model/gltf-binary", headers={"cache-control": "no-store"}
        )
