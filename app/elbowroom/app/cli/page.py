"""The subcommand that opens the page."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from elbowroom.app.cli.job import SUFFIX, author
from elbowroom.shared.errors import InputError


def page(
    path: Annotated[
        Path | None, typer.Argument(help="The job's scene file (.elbow); the page asks when left out.")
    ] = None,
    port: Annotated[
        int, typer.Option(help="Port on this machine; any free one for 0.", min=0, max=65535)
    ] = 0,
    browser: Annotated[bool, typer.Option(help="Open the page in the browser.")] = True,
) -> int:
    """Open the page: photos to files in the browser, on this machine only. So does `elbowroom` alone."""
    if path is not None and path.suffix.lower() != SUFFIX:
        raise InputError("a job's file ends in .elbow", where=str(path), limit=SUFFIX, todo="check the name")
    from elbowroom.app.page import serve

    serve(path, author=author(), port=port, browser=browser)
    return 0


def with_page(arguments: list[str]) -> list[str]:
    """Return the arguments with `page` put first when they name no subcommand: nothing at all, or a job."""
    if not arguments or arguments[0].lower().endswith(SUFFIX):
        return ["page", *arguments]
    return arguments
