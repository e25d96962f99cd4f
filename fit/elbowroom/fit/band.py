"""From a shape and blockers to a loop of lines and arcs: pull a band taut, name what it touches, join tangents."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry import Polygon

from elbowroom.fit.arcs import discs_for_run
from elbowroom.fit.chain import Chain, ChainError, legs, outline_of, settled
from elbowroom.fit.neaten import neatened
from elbowroom.fit.pads import disc_hull
from elbowroom.fit.taut import taut_loop
from elbowroom.shared.arrays import Floats, Points2
from elbowroom.shared.outline import Outline

RIM_MM = 1e-6
"""A corner this near a disc's rim belongs to it; corners were made on the rim."""

FLAT_MM = 0.002
"""Chord error of outlines flattened for checks."""

SLACK_MM = 0.006
"""What checks on flattened outlines let pass: three chord errors. Discs are placed further off than that."""

EDGE_MM = 1e-6
"""Weld edges lie on their line this exactly."""

REPULLS = 8
"""Times the band is pulled again with its discs in place; two are usual."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Finished:
    """A loop of lines and arcs and the smallest inside radius in it, mm."""

    outline: Outline
    inside_radius: float


@dataclass(frozen=True, kw_only=True, eq=False)
class Band:
    """A taut band: the shape inside, its discs (k, 3) of which the first `pads` belong to pads, blockers, the loop.

    `on_edge` (m, 2) are points that must lie on the outline.
    """

    shape: Polygon
    discs: Floats
    pads: int
    blockers: shapely.Geometry
    cuts: shapely.Geometry
    loop: Points2
    on_edge: Points2

    @property
    def plate(self) -> Polygon:
        """The region inside the taut loop."""
        return Polygon(self.loop)

    def finished(self, radius: float) -> Finished | None:
        """Return the band as tangent lines and arcs with inside radii of at least `radius` where there is room."""
        extra: list[Floats] = []
        for _ in range(REPULLS):
            try:
                found = self._pulled(extra, radius)
            except (ChainError, ValueError):
                return None
            chain, fresh = found
            if self.holds(chain):
                return self._neat(chain, radius)
            if not fresh:
                return None
            extra += fresh
        return None

    def _neat(self, chain: Chain, radius: float) -> Finished:
        bosses = self.discs[: self.pads]
        neat = neatened(chain, self.holds, bosses, radius)
        hollow = neat.radii[neat.senses < 0]
        least = float(hollow.min()) if len(hollow) else float("inf")
        return Finished(outline=outline_of(neat), inside_radius=least)

    def _pulled(self, extra: list[Floats], radius: float) -> tuple[Chain, list[Floats]]:
        blockers = shapely.union_all([self.blockers, self.cuts, *(disc_hull(np.array([d])) for d in extra)])
        loop, _ = taut_loop(self.shape, blockers, 2 * radius)
        fixed = np.vstack([self.discs, *(d[None] for d in extra)])
        label = _labels(loop, fixed)
        rows, fresh = _chain_rows(loop, label, fixed, len(self.discs), self.shape, radius)
        table = np.array(rows)
        chain = Chain(centres=table[:, :2], radii=table[:, 2], senses=table[:, 3])
        return self._with_missed(settled(chain)), fresh

    def _with_missed(self, chain: Chain) -> Chain:
        """Put in discs of the shape that the coarse band passed by a hair."""
        for _ in range(len(self.discs)):
            outline = outline_of(chain)
            out = outline.signed_distance(self.discs[:, :2]) + self.discs[:, 2]
            worst = int(out.argmax())
            if out[worst] <= 0.5 * SLACK_MM:
                return chain
            chain = settled(_inserted(chain, self.discs[worst]))
        return chain

    def holds(self, chain: Chain) -> bool:
        """Say whether the chain's outline holds the shape, keeps off the blockers and doesn't cross itself."""
        try:
            outline = outline_of(chain)
        except ChainError:
            return False
        if len(self.on_edge) and outline.distance(self.on_edge).max() > EDGE_MM:
            return False
        polygon = Polygon(outline.flatten(FLAT_MM))
        if not polygon.is_valid or not polygon.exterior.is_ccw:
            return False
        if not polygon.buffer(SLACK_MM, quad_segs=4).covers(self.shape):
            return False
        return not polygon.intersects(self.blockers)


def web_discs(points: Points2, radius: float) -> Floats:
    """Return the discs (k, 3) at the bends and ends of a web of half-width `radius`."""
    return np.column_stack([points, np.full(len(points), radius)])


def band_round(
    pads: Sequence[Floats],
    webs: Sequence[Floats],
    blockers: shapely.Geometry,
    radius: float,
    on_edge: Points2,
) -> Band | None:
    """Return the taut band round pads and webs (lists of discs), or None when a blocker would be shut in."""
    strips = [disc_hull(w[k : k + 2]) for w in webs for k in range(max(len(w) - 1, 1))]
    union = shapely.union_all([*(disc_hull(p) for p in pads), *strips])
    if not isinstance(union, Polygon):
        return None
    shape = Polygon(union.exterior)
    if shape.intersects(blockers):
        return None
    try:
        loop, cuts = taut_loop(shape, blockers, 2 * radius)
    except ValueError:
        return None
    return Band(
        shape=shape,
        discs=np.vstack([*pads, *webs]),
        pads=sum(len(p) for p in pads),
        blockers=blockers,
        cuts=shapely.union_all(cuts),
        loop=loop,
        on_edge=on_edge,
    )


def _labels(loop: Points2, discs: Floats) -> Floats:
    """Return for each corner of the loop the disc whose rim it lies on, -1 for none."""
    off = np.abs(np.hypot(loop[:, :1] - discs[:, 0], loop[:, 1:] - discs[:, 1]) - discs[:, 2])
    label = off.argmin(axis=1)
    return np.where(off[np.arange(len(loop)), label] < RIM_MM, label, -1)


def _chain_rows(
    loop: Points2, label: Floats, discs: Floats, own: int, shape: Polygon, radius: float
) -> tuple[list[Floats], list[Floats]]:
    """Return the discs in loop order as x, y, radius, sense; and those made for stretches of blockers."""
    start = int(np.flatnonzero((label >= 0) & (label < own))[0])
    loop, label = np.roll(loop, -start, axis=0), np.roll(label, -start)
    rows: list[Floats] = []
    fresh: list[Floats] = []
    i = 0
    while i < len(loop):
        if label[i] >= 0:
            sense = 1.0 if label[i] < own else -1.0
            row = np.append(discs[label[i]], sense)
            if not rows or not np.array_equal(rows[-1], row):
                rows.append(row)
            i += 1
            continue
        j = i
        while j < len(loop) and label[j] < 0:
            j += 1
        made = discs_for_run(loop[i - 1], loop[i:j], loop[j % len(loop)], shape, radius=radius)
        rows += [np.append(d, -1.0) for d in made]
        fresh += made
        i = j
    if len(rows) > 1 and np.array_equal(rows[0], rows[-1]):
        rows.pop()
    return rows, fresh


def _inserted(chain: Chain, disc: Floats) -> Chain:
    """Return the chain with a disc of the shape put in where the loop passes nearest to it."""
    found = legs(chain)
    ends = np.roll(found.arrive, -1, axis=0)
    lines = shapely.linestrings(np.stack([found.leave, ends], axis=1))
    at = int(shapely.distance(lines, shapely.points(disc[:2])).argmin())
    return chain.with_disc(at + 1, disc[:2], disc[2], 1.0)
