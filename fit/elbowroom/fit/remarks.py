"""Findings about a finished profile: what a person should know before cutting it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import shapely
from shapely.geometry import Polygon

from elbowroom.fit.keepouts import Keepout
from elbowroom.fit.profile import Profile
from elbowroom.shared.errors import Finding
from elbowroom.shared.scene import PlateIntent

TIGHT_MM = 0.5
"""Keep-outs the profile comes this near are named: they are what shapes it."""

RADIUS_MM = 0.05
"""Inside radii may be this much under what was asked before it is told."""

SHORT_MM = 1.0
"""Pieces shorter than this are told."""

SLACK_MM = 0.02
"""Rounding allowed on the least web between openings and edge."""

TOOL_MM = 0.5
"""Tool room may reach this far into the slab: it starts at the seat, which is measured with that much doubt."""


def profile_remarks(
    intent: PlateIntent,
    profile: Profile,
    openings: Sequence[Polygon],
    keepouts: Mapping[str, shapely.Geometry],
) -> list[Finding]:
    """Return what is worth telling about a profile: radii, short pieces, thin steel round openings, what shapes it."""
    polygon = Polygon(profile.outline.flatten())
    found = _radius(intent, profile) + _short(intent, profile) + _bridges(intent, openings)
    near = [n for n, g in keepouts.items() if not g.is_empty and polygon.distance(g) < TIGHT_MM]
    if near:
        found.append(
            Finding(
                code="shaped-by",
                severity="note",
                subject=intent.name,
                message="the profile runs along the clearance of " + ", ".join(near),
                numbers={"obstacles": float(len(near))},
            )
        )
    return found


def _radius(intent: PlateIntent, profile: Profile) -> list[Finding]:
    if profile.inside_radius >= intent.inside_radius_mm - RADIUS_MM:
        return []
    return [
        Finding(
            code="inside-radius",
            severity="warning",
            subject=intent.name,
            message=f"one inside corner has only {profile.inside_radius:.1f} mm radius for want of room, "
            f"asked for {intent.inside_radius_mm:g} mm",
            numbers={"radius_mm": profile.inside_radius, "asked_mm": intent.inside_radius_mm},
        )
    ]


def _short(intent: PlateIntent, profile: Profile) -> list[Finding]:
    table = profile.outline.table
    chord = np.hypot(*(table.ends - table.starts).T)
    shortest = float(chord.min())
    if shortest >= SHORT_MM - SLACK_MM:
        return []
    return [
        Finding(
            code="short-piece",
            severity="note",
            subject=intent.name,
            message=f"the outline has a piece of {shortest:.2f} mm; cutters may stutter there",
            numbers={"length_mm": shortest},
        )
    ]


def _bridges(intent: PlateIntent, openings: Sequence[Polygon]) -> list[Finding]:
    """Return a finding for every two openings with less than the least web between them."""
    names = [h.name for h in intent.holes] + [s.name for s in intent.slots]
    found = []
    for i in range(len(openings)):
        for j in range(i):
            gap = float(openings[i].distance(openings[j]))
            if gap < intent.min_web_mm - SLACK_MM:
                found.append(
                    Finding(
                        code="thin-bridge",
                        severity="warning",
                        subject=f"{names[j]}, {names[i]}",
                        message=f"only {gap:.1f} mm of steel between {names[j]} and {names[i]}, "
                        f"less than the least web {intent.min_web_mm:g} mm",
                        numbers={"bridge_mm": gap, "web_mm": intent.min_web_mm},
                    )
                )
    return found


def bolt_remarks(own: Sequence[Keepout]) -> list[Finding]:
    """Return a warning for every bolt of the plate's own whose tool room the plate cuts into."""
    found = []
    for keepout in own:
        if keepout.obstacle.part != "tool room":
            continue
        z = np.concatenate([v[:, 2] for v, _ in keepout.meshes_plate])
        deep = min(float(z.max()), keepout.thickness) - max(float(z.min()), 0.0)
        if deep > TOOL_MM:
            found.append(
                Finding(
                    code="tool-room",
                    severity="warning",
                    subject=keepout.obstacle.name,
                    message=f"the plate stands {deep:.1f} mm in the tool room of {keepout.obstacle.name}, the bolt it is bolted "
                    "with: is the seat on the right side of the plate?",
                    numbers={"depth_mm": deep},
                )
            )
    return found
