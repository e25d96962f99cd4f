"""What was printed, as it really lies on the paper: sides and pitches corrected by the measured check bars."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np

from elbowroom.shared.errors import InputError
from elbowroom.shared.scene import PrintBatch, ScaleCard, Scene, TargetSpec

BAR_MM = 100.0
"""Length of the check bar as drawn."""

SIDE_SD_UNMEASURED, SIDE_SD_MEASURED = 0.003, 0.001
"""Relative doubt of a printed side: of an unmeasured print, and of one whose bars were measured (common practice)."""

SIDE_SD_FREE = 0.02
"""...and where scale cards or typed distances set the scale: the sides may then differ by the ink and the printer."""


@dataclass(frozen=True)
class Print:
    """A target as printed: side and thickness (mm), its batch."""

    side_mm: float
    thickness_mm: float
    batch: str


@dataclass(frozen=True)
class KnownDistance:
    """A known distance between two target centres, and where it comes from.

    Distances of one `source` share their error: the reading of a print's check bars is in all distances of its cards.
    A typed distance has none and an error of its own.
    """

    name: str
    ends: tuple[int, int]
    mm: float
    sd_mm: float
    source: str = ""


def prints_of(scene: Scene, ids: set[int]) -> dict[int, Print]:
    """Return the print of each id whose size is known: from cards, from the target list, from the default.

    Raises
    ------
    InputError
        When an id is given twice with different sizes, or on two cards.
    """
    batches = {b.name: b for b in scene.batches}
    out: dict[int, Print] = {}
    for card in scene.cards:
        scale = _side_scale(batches, card.batch)
        for target in card.targets:
            if target.id in out:
                raise InputError(
                    "a target id stands on two cards, or twice on one",
                    where=f"card {card.name}",
                    value=target.id,
                    todo="give every printed target an id of its own",
                )
            out[target.id] = Print(card.side_mm * scale, _thickness(card, scene), card.batch or "")
    for spec in scene.targets:
        given = Print(
            spec.side_mm * _side_scale(batches, spec.batch), _thickness(spec, scene), spec.batch or ""
        )
        if spec.id in out and out[spec.id] != given:
            raise InputError(
                "a target id is given twice with different sizes",
                where=f"target {spec.id}",
                value=f"{given.side_mm:g} mm and {out[spec.id].side_mm:g} mm",
                todo="keep the right one",
            )
        out[spec.id] = given
    if scene.default_side_mm is not None:
        batch = scene.batches[0].name if len(scene.batches) == 1 else None
        rest = Print(
            scene.default_side_mm * _side_scale(batches, batch), scene.default_thickness_mm, batch or ""
        )
        out.update({i: rest for i in ids if i not in out})
    return {i: p for i, p in out.items() if i in ids}


def _thickness(printed: TargetSpec | ScaleCard, scene: Scene) -> float:
    return scene.default_thickness_mm if printed.thickness_mm is None else printed.thickness_mm


def _side_scale(batches: dict[str, PrintBatch], name: str | None) -> float:
    return (scale := _scales(batches, name))[0] / 2 + scale[1] / 2


def _scales(batches: dict[str, PrintBatch], name: str | None) -> tuple[float, float]:
    if name is None:
        return 1.0, 1.0
    if name not in batches:
        raise InputError(
            "no print batch of that name",
            where=name,
            limit=f"there are: {', '.join(batches) or 'none'}",
            todo="name the batch, or leave it out",
        )
    bars = batches[name]
    return bars.bar_x_mm / BAR_MM, bars.bar_y_mm / BAR_MM


def known_distances(scene: Scene, seen: set[int]) -> list[KnownDistance]:
    """Return the distances between measured target centres that cards and calipers give, corrected by the bars."""
    batches = {b.name: b for b in scene.batches}
    out = []
    for card in scene.cards:
        x, y = _scales(batches, card.batch)
        for a, b in combinations([t for t in card.targets if t.id in seen], 2):
            length = float(np.hypot((b.x_mm - a.x_mm) * x, (b.y_mm - a.y_mm) * y))
            name = f"card {card.name}, {a.id} to {b.id}"
            source = f"batch {card.batch}" if card.batch else f"card {card.name}"
            sd = _card_sd(card, batches, length)
            out.append(KnownDistance(name, (a.id, b.id), length, sd, source))
    for d in scene.distances:
        if {d.from_target, d.to_target} <= seen:
            out.append(KnownDistance(d.name, (d.from_target, d.to_target), d.mm, d.sd_mm))
    return out


def _card_sd(card: ScaleCard, batches: dict[str, PrintBatch], length_mm: float) -> float:
    """Return the sd, mm, of a distance on a card: with bars that nobody measured the printer's scale is in doubt too."""
    unmeasured = card.batch is not None and not batches[card.batch].measured
    return float(np.hypot(card.sd_mm, SIDE_SD_UNMEASURED * length_mm * unmeasured))


def side_sd(scene: Scene, batch: str, *, scale_known: bool) -> float:
    """Return the relative doubt of the sides of a batch."""
    if scale_known:
        return SIDE_SD_FREE
    measured = any(b.name == batch and b.measured for b in scene.batches)
    return SIDE_SD_MEASURED if measured else SIDE_SD_UNMEASURED
