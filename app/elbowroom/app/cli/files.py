"""Subcommands that write files: drawings, solids, overlays, and the JSON Schema of the scene."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated, Literal

import typer

from elbowroom.app.cli.job import JobPath, opened
from elbowroom.app.cli.show import console, progress, show_findings
from elbowroom.app.wording import CAUTION
from elbowroom.app.writing import Cutting, write_job
from elbowroom.shared.errors import InputError


def write(
    path: JobPath,
    folder: Annotated[Path, typer.Argument(help="Folder for the files.")],
    overlays: Annotated[bool, typer.Option(help="Also draw plate and obstacles into every photo.")] = True,
    paper: Annotated[Literal["A4", "Letter"], typer.Option(help="Paper of the 1:1 templates.")] = "A4",
    batch: Annotated[
        str | None, typer.Option(help="Draw the templates for the printer of this measured batch.")
    ] = None,
    process: Annotated[
        Literal["plasma", "laser", "water-jet", "hand"] | None,
        typer.Option(help="Make the DXF files ready for this way of cutting."),
    ] = None,
    kerf: Annotated[
        bool, typer.Option(help="Draw the middle of the cut instead of the finished edge (needs --process).")
    ] = False,
) -> int:
    """Write DXF (mm, inch, geometry only, R12), SVG, STL, 1:1 paper template, GLB, and the photos drawn over.

    Exit code 1 when a plate is written that has not passed its clearance check.
    """
    if kerf and process is None:
        raise InputError("kerf needs the way of cutting", where="--kerf", todo="say --process too")
    cutting = Cutting(process, compensate_kerf=kerf) if process else None
    with opened(path) as job, progress("writing") as tell:
        written, findings = write_job(
            job, folder, overlays=overlays, paper=paper, batch=batch, cutting=cutting, tell=tell
        )
    show_findings(findings)
    for file in written:
        console().print(f"wrote {file}", markup=False)
    console().print(CAUTION, markup=False)
    return 1 if any(f.severity == "fault" for f in findings) else 0


def schema(
    path: Annotated[Path | None, typer.Argument(help="Where to write it; shown when left out.")] = None,
) -> int:
    """Write the JSON Schema of the scene, and of tag files under `$defs`."""
    from pydantic.json_schema import models_json_schema

    from elbowroom.shared.scene import Scene, TagFile

    _, both = models_json_schema([(Scene, "validation"), (TagFile, "validation")], title="Elbowroom scene")
    document = {"$schema": "https://json-schema.org/draft/2020-12/schema", **both, "$ref": "#/$defs/Scene"}
    text = json.dumps(document, indent=1)
    if path is None:
        typer.echo(text)
    else:
        path.write_text(text, encoding="utf-8")
        console().print(f"wrote {path}", markup=False)
    return 0
