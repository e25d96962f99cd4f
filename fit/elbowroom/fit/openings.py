"""Bolt holes and slots of a plate: where they lie, how big they are, and the pads they need."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry import LineString, Polygon

from elbowroom.fit.keepout import keepout_section
from elbowroom.fit.pads import Pad, round_pad, slot_pad
from elbowroom.fit.plane import point_world
from elbowroom.fit.sweep import obstacle_meshes
from elbowroom.shared.arrays import Floats, Points2
from elbowroom.shared.errors import Finding, InputError
from elbowroom.shared.frames import PlateFrame, Rigid, World
from elbowroom.shared.hardware import clearance_hole_mm, edge_distance_mm
from elbowroom.shared.media import Media
from elbowroom.shared.outline import Outline
from elbowroom.shared.scene import HoleIntent, Obstacle, PlateHole, Scene, SlotIntent

EDGE_DIAMETERS = 1.5
"""Edge distance over hole diameter when no thread is given (common practice, no source)."""

LEAN_COSINE = 0.5
"""A bolt that leans more than 60 degrees from the plate's normal has no business in a round hole."""

SQUARE_MM = 0.3
"""A section this near to its smallest rectangle is cut as that rectangle."""

FINE_MM = 0.15
"""Otherwise its hull loses corners as long as it grows by less than this."""

LEAST_SLOT_RADIUS_MM = 0.5
"""Corner radius of a slot without slip: a kerf rounds them anyway."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Opening:
    """An opening, the pad round it, the shape of the opening, the bolt it is for, and findings."""

    hole: PlateHole
    pad: Pad
    shape: Polygon
    bolt: str | None = None
    findings: tuple[Finding, ...] = ()


def bolt_hole(
    intent: HoleIntent, scene: Scene, plate_from_world: Rigid[PlateFrame, World], web_mm: float
) -> Opening:
    """Return a round hole with its pad.

    Its edge distance is the one given, else the table's for the thread, else 1.5 diameters (common practice, no
    source). A pad is never narrower than the least web.

    Raises
    ------
    InputError
        When thread, bolt or point can't be found, or the edge distance leaves no steel round the hole.
    """
    where = f"hole {intent.name}"
    centre = _hole_centre(intent, scene, plate_from_world)
    diameter = intent.diameter_mm or clearance_hole_mm(str(intent.thread), intent.hole_class)
    edge, findings = _edge(intent, diameter)
    if edge <= 0.5 * diameter:
        raise InputError(
            "the edge distance leaves no steel round the hole", where=where, value=edge, limit=f"above {diameter / 2:g} mm",
            todo="give an edge distance of 1.5 diameters or more",
        )  # fmt: skip
    outline = Outline.circle(centre, 0.5 * diameter)
    hole = PlateHole(
        name=intent.name, kind="round", loop=outline.loop(), centre_mm=(float(centre[0]), float(centre[1])),
        diameter_mm=diameter,
    )  # fmt: skip
    pad = round_pad(intent.name, centre, max(edge, 0.5 * web_mm + 0.5))
    shape = Polygon(outline.flatten())
    return Opening(hole=hole, pad=pad, shape=shape, bolt=intent.bolt, findings=findings)


def _edge(intent: HoleIntent, diameter: float) -> tuple[float, tuple[Finding, ...]]:
    if intent.edge_distance_mm is not None:
        least = edge_distance_mm(intent.thread) if intent.thread else 0.0
        if intent.edge_distance_mm >= least:
            return intent.edge_distance_mm, ()
        return intent.edge_distance_mm, (
            Finding(
                code="edge-distance",
                severity="warning",
                subject=intent.name,
                message=f"edge distance {intent.edge_distance_mm:g} mm is under the table's {least:g} mm for {intent.thread}",
                numbers={"edge_mm": intent.edge_distance_mm, "least_mm": least},
            ),
        )
    if intent.thread is not None:
        return edge_distance_mm(intent.thread), ()
    edge = EDGE_DIAMETERS * diameter
    note = Finding(
        code="edge-distance-assumed",
        severity="note",
        subject=intent.name,
        message=f"no thread given: edge distance taken as 1.5 diameters, {edge:g} mm (common practice, no source)",
        numbers={"edge_mm": edge},
    )
    return edge, (note,)


def _hole_centre(intent: HoleIntent, scene: Scene, plate_from_world: Rigid[PlateFrame, World]) -> Floats:
    where = f"hole {intent.name}"
    if intent.at_mm is not None:
        return np.array(intent.at_mm)
    if intent.point is not None:
        return plate_from_world.apply(point_world(intent.point, where=where)[None])[0, :2]
    bolt = named_obstacle(scene, str(intent.bolt), where)
    if bolt.axis_mm is None:
        raise InputError(
            "the obstacle has no axis", where=where, value=bolt.name, todo="name a bolt or give at_mm"
        )
    seat, tip = plate_from_world.apply(np.array(bolt.axis_mm))
    along = (tip - seat) / max(float(np.linalg.norm(tip - seat)), 1e-12)
    if abs(along[2]) < LEAN_COSINE:
        raise InputError(
            "the bolt does not pass through the plate", where=where, value=bolt.name,
            limit="within 60 degrees of the plate's normal", todo="choose another plane or give at_mm",
        )  # fmt: skip
    foot: Floats = (seat - along * seat[2] / along[2])[:2]
    return foot


def named_obstacle(scene: Scene, name: str, where: str) -> Obstacle:
    """Return the obstacle (its body) of that name; raises InputError naming those there are."""
    for obstacle in scene.obstacles:
        if obstacle.name == name and obstacle.part == "body":
            return obstacle
    known = ", ".join(o.name for o in scene.obstacles) or "none"
    raise InputError("no obstacle of that name", where=where, value=name, limit=f"there are: {known}")


def slot(
    intent: SlotIntent,
    scene: Scene,
    media: Media,
    plate_from_world: Rigid[PlateFrame, World],
    *,
    thickness: float,
    web_mm: float,
) -> Opening:
    """Return a slot over an obstacle's section, widened by the slip, with round corners.

    The section is the hull of all the obstacle covers between the plate's faces.

    Raises
    ------
    InputError
        When the obstacle isn't there or does not reach through the plate.
    """
    where = f"slot {intent.name}"
    over = named_obstacle(scene, intent.over, where)
    shapes = [
        keepout_section(plate_from_world.apply(v), f, thickness_mm=thickness, clearance_mm=0.0)
        for v, f in obstacle_meshes(over, media)
    ]
    union = shapely.union_all(shapes)
    if union.area == 0:
        raise InputError(
            "the obstacle does not reach the plate", where=where, value=intent.over, todo="check the plane's offset"
        )  # fmt: skip
    corners = _slot_corners(union)
    radius = max(intent.slip_mm, LEAST_SLOT_RADIUS_MM)
    loop = rounded(_grown(corners, intent.slip_mm - radius), radius)
    surround = intent.surround_mm if intent.surround_mm is not None else web_mm
    x, y = corners.mean(axis=0)
    hole = PlateHole(name=intent.name, kind="slot", loop=loop.loop(), centre_mm=(float(x), float(y)))
    pad = slot_pad(intent.name, corners, intent.slip_mm + surround)
    return Opening(
        hole=hole, pad=pad, shape=Polygon(loop.flatten()), findings=_slot_findings(intent, over, surround, web_mm)
    )  # fmt: skip


def _slot_findings(intent: SlotIntent, over: Obstacle, surround: float, web_mm: float) -> tuple[Finding, ...]:
    found = [
        Finding(
            code="slot-slip",
            severity="note",
            subject=intent.name,
            message=f"slot {intent.slip_mm:g} mm wider all round than {over.name} as measured: grind off slag and dross, "
            "and try it on a cardboard template first",
            numbers={"slip_mm": intent.slip_mm},
        )
    ]
    sd = float(np.sqrt(max(np.linalg.eigvalsh(np.array(over.covariance_mm2))[-1], 0.0)))
    if 2 * sd > intent.slip_mm:
        found.append(
            Finding(
                code="slot-doubt",
                severity="warning",
                subject=intent.name,
                message=f"{over.name} is known to {sd:.2f} mm (1 sd): the slip of {intent.slip_mm:g} mm is less than twice that",
                numbers={"slip_mm": intent.slip_mm, "sd_mm": sd},
            )
        )
    if surround < web_mm:
        found.append(
            Finding(
                code="slot-web",
                severity="warning",
                subject=intent.name,
                message=f"{surround:g} mm of steel round the slot, less than the least web {web_mm:g} mm",
                numbers={"surround_mm": surround, "web_mm": web_mm},
            )
        )
    return tuple(found)


def _slot_corners(section: shapely.Geometry) -> Points2:
    """Return the corners (k, 2), counter-clockwise, of a simple convex shape that contains the section."""
    hull = shapely.orient_polygons(shapely.convex_hull(section))
    box = shapely.orient_polygons(shapely.minimum_rotated_rectangle(hull))
    if shapely.hausdorff_distance(box, hull) <= SQUARE_MM:
        return np.array(box.exterior.coords)[:-1]
    simple = shapely.simplify(hull, FINE_MM)
    lost = float(shapely.hausdorff_distance(simple, hull))
    corners = np.array(shapely.orient_polygons(simple).exterior.coords)[:-1]
    return _grown(corners, lost)


def _grown(corners: Points2, by: float) -> Points2:
    """Return a convex counter-clockwise polygon with its sides moved out by `by` mm."""
    step = np.roll(corners, -1, axis=0) - corners
    out = np.column_stack([step[:, 1], -step[:, 0]]) / np.hypot(step[:, 0], step[:, 1])[:, None]
    before = np.roll(out, 1, axis=0)
    middle = before + out
    grown: Points2 = corners + by * 2 * middle / (middle**2).sum(axis=1)[:, None]
    return grown


def rounded(corners: Points2, radius: float) -> Outline:
    """Return a convex counter-clockwise polygon grown by `radius` mm, with round corners of that radius."""
    n = len(corners)
    step = np.roll(corners, -1, axis=0) - corners
    out = np.column_stack([step[:, 1], -step[:, 0]]) / np.hypot(step[:, 0], step[:, 1])[:, None]
    before = np.roll(out, 1, axis=0)
    turn = np.arctan2(before[:, 0] * out[:, 1] - before[:, 1] * out[:, 0], (before * out).sum(axis=1))
    vertices = np.empty((2 * n, 2))
    vertices[0::2], vertices[1::2] = corners + radius * before, corners + radius * out
    bulges = np.zeros(2 * n)
    bulges[0::2] = np.tan(turn / 4)
    return Outline(vertices, bulges)


def check_openings(openings: list[Opening], area: Points2 | None) -> None:
    """Refuse openings that run into each other or lie off the area.

    Raises
    ------
    InputError
        Naming the openings.
    """
    bounds = None if area is None else Polygon(area)
    for i, one in enumerate(openings):
        if bounds is not None and not bounds.covers(one.shape):
            raise InputError(
                "lies off the plate's area", where=one.hole.name, value=_at(one), todo="move it in"
            )
        for other in openings[:i]:
            gap = float(one.shape.distance(other.shape))
            if gap <= 0:
                raise InputError(
                    "two openings run into each other", where=f"{other.hole.name}, {one.hole.name}",
                    value=f"{_apart(one, other):.2f} mm between centres", todo="move one of them",
                )  # fmt: skip


def _at(opening: Opening) -> str:
    return f"({opening.hole.centre_mm[0]:.1f}, {opening.hole.centre_mm[1]:.1f}) mm"


def _apart(one: Opening, other: Opening) -> float:
    return float(LineString([one.hole.centre_mm, other.hole.centre_mm]).length)
