"""What must be true of a profile before it is handed out, checked on its flattened outline."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
from shapely.geometry import Polygon

from elbowroom.fit.pads import Pad
from elbowroom.shared.outline import Outline

CHORD_MM = 0.0005
"""Chord error of the outline flattened for the last check: half of what a clearance may miss by."""

CLEAR_MM = 0.001
"""A clearance may be missed by this: a millionth of a metre."""

PAD_MM = 0.01
"""A pad may stick out by this."""

EDGE_MM = 1e-6
"""Weld edges lie on their line this exactly."""

WEB_MM = 0.05
"""A web may be under its width by this: flattening and the webs' own corners."""


def faults_of(outline: Outline, pads: Sequence[Pad], blockers: shapely.Geometry, web_mm: float) -> list[str]:
    """Return what is wrong with a profile in words, nothing when all is well.

    Checks that it is one simple loop, holds every pad, keeps off the blockers, and that half a web can be taken off
    all round without parting the pads.
    """
    polygon = Polygon(outline.flatten(CHORD_MM))
    if not polygon.is_valid or polygon.is_empty:
        return ["the outline crosses itself"]
    faults = []
    inside = polygon.buffer(-CLEAR_MM, quad_segs=2)
    if inside.intersects(blockers):
        faults.append("a clearance is not kept")
    roomy = polygon.buffer(PAD_MM, quad_segs=4)
    faults += [f"{p.name} sticks out" for p in pads if not roomy.covers(p.shape)]
    faults += [
        f"{p.name} is not on the outline"
        for p in pads
        if len(p.on_edge) and outline.distance(p.on_edge).max() > EDGE_MM
    ]
    core = polygon.buffer(-0.5 * web_mm + WEB_MM, quad_segs=8)
    if not _one_piece(core, pads):
        faults.append("a web is under the least width")
    return faults


def _one_piece(core: shapely.Geometry, pads: Sequence[Pad]) -> bool:
    parts = shapely.get_parts(core)
    held = [
        frozenset(np.flatnonzero(shapely.dwithin(parts, shapely.multipoints(p.anchors), WEB_MM)))
        for p in pads
    ]
    return bool(held) and bool(frozenset.intersection(*held))
