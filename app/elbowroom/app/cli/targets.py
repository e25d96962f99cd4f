"""Subcommands for what is printed: target sheets, and the check bars as measured."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Literal

import typer

from elbowroom.app import job as steps
from elbowroom.app.cli.job import JobPath, opened
from elbowroom.app.cli.show import console, show_findings
from elbowroom.shared.errors import InputError
from elbowroom.shared.scene import PrintBatch, ScaleCard, TargetSpec
from elbowroom.shared.units import parse_length


def parse_ids(text: str) -> list[int]:
    """Return the ids in a text like ``1-12,20``.

    Raises
    ------
    InputError
        When it doesn't read.
    """
    out: list[int] = []
    for part in text.split(","):
        ends = part.strip().split("-")
        if len(ends) > 2 or not all(e.strip().isdigit() for e in ends) or len(part) > 12:
            raise InputError(
                "not a list of ids", where="--ids", value=text[:60], todo="write it like 1-12,20"
            )
        first, last = int(ends[0]), int(ends[-1])
        if last < first or last > 586:
            raise InputError("no such ids", where="--ids", value=part.strip(), limit="0 to 586, low to high")
        out += range(first, last + 1)
    return out


def targets(
    path: Annotated[Path, typer.Argument(help="The PDF to write.")],
    ids: Annotated[str, typer.Option(help="Ids of single targets, like 1-12,20.")] = "1-12",
    side: Annotated[
        str, typer.Option(help='Side of the black square, like 40, 30.2 mm or 1-1/2".')
    ] = "40 mm",
    paper: Annotated[
        Literal["A4", "Letter"], typer.Option(help="Paper printed on.", case_sensitive=False)
    ] = "A4",
    card: Annotated[str | None, typer.Option(help="Ids of a scale card's targets, like 100-103.")] = None,
    batch: Annotated[str, typer.Option(help="Name of this print batch.")] = "A",
) -> int:
    """Write a PDF of coded targets, and a scale card, at exactly 1:1."""
    from elbowroom.export import default_card, write_targets

    side_mm, loose = parse_length(side, "mm"), parse_ids(ids)
    card_ids = parse_ids(card) if card else None
    cards = [default_card(paper, card_ids, side_mm=min(side_mm, 40.0))] if card_ids else []
    findings = write_targets(
        path, ids=loose, side_mm=side_mm, paper=paper, batch=PrintBatch(name=batch), cards=cards
    )
    show_findings(findings)
    console().print(f"wrote {path}", markup=False)
    cards = [c.model_copy(update={"batch": batch}) for c in cards]
    specs = [TargetSpec(id=i, side_mm=side_mm, batch=batch) for i in loose]
    console().print(f"for the tag file:\n{_snippet(batch, specs, cards)}", markup=False)
    return 0


def _snippet(batch: str, specs: Sequence[TargetSpec], cards: Sequence[ScaleCard]) -> str:
    """Return what was printed as a tag file takes it in."""
    import yaml

    parts: dict[str, object] = {"batches": [{"name": batch}]}
    parts["targets"] = [s.model_dump(exclude_unset=True) for s in specs]
    if cards:
        parts["cards"] = [c.model_dump(exclude_defaults=True, mode="json") for c in cards]
    return str(yaml.safe_dump(parts, default_flow_style=None, sort_keys=False, width=200)).rstrip()


def bar(
    path: JobPath,
    batch: Annotated[str, typer.Argument(help="The print batch, as its pages say.")],
    x: Annotated[str, typer.Argument(help="Measured length of the x bar, drawn 100 mm.")],
    y: Annotated[str, typer.Argument(help="Measured length of the y bar, drawn 100 mm.")],
) -> int:
    """Type in a batch's check bars as measured; it corrects everything printed in that batch."""
    with opened(path) as job:
        steps.type_bar(job, batch, parse_length(x, "mm"), parse_length(y, "mm"))
    console().print(f"check bars of {batch} taken in; measure the job again", markup=False)
    return 0
