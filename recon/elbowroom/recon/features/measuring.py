"""Features of the scene from their tags: points, holes and edges measured in order, with what to know about each."""

from __future__ import annotations

from collections.abc import Callable, Iterable

import numpy as np

from elbowroom.recon.features.rounds import measure_hole
from elbowroom.recon.features.straights import Straight, measure_edge, with_width
from elbowroom.recon.picks.rays import solve_surface_point
from elbowroom.recon.picks.stations import NetworkDoubt
from elbowroom.shared.errors import Finding, InputError, SolveError
from elbowroom.shared.scene import (
    EdgeTag,
    FeatureTag,
    HoleTag,
    MeasuredFeature,
    MeasuredPoint,
    PointTag,
    Scene,
    cov3,
    vec3,
)


def measure_features(
    tags: Iterable[FeatureTag],
    scene: Scene,
    *,
    network: NetworkDoubt | None = None,
    tell: Callable[[str], None] = lambda name: None,
) -> tuple[Scene, tuple[Finding, ...]]:
    """Return the scene with features measured from tags added, each one usable by those after it, and findings.

    Raises
    ------
    InputError, SolveError
        When one can't be measured; the message begins with its kind and name.
    """
    findings: tuple[Finding, ...] = ()
    straights: dict[str, Straight] = {}
    for tag in tags:
        tell(tag.name)
        where = f"{tag.kind} {tag.name}"
        try:
            made, found = _measure(tag, scene, network, straights)
        except (InputError, SolveError) as e:
            raise e.placed(
                e.where if e.where.startswith(where) else f"{where}, {e.where}".rstrip(", ")
            ) from e
        scene = scene.model_copy(update={"measured_features": (*scene.measured_features, made)})
        findings += found
    return scene, findings


def _measure(
    tag: FeatureTag, scene: Scene, network: NetworkDoubt | None, straights: dict[str, Straight]
) -> tuple[MeasuredFeature, tuple[Finding, ...]]:
    match tag:
        case PointTag():
            return _point(tag, scene, network)
        case HoleTag():
            return measure_hole(tag, scene, network=network)
        case EdgeTag():
            edge = measure_edge(tag, scene, network=network)
            if tag.across is not None:
                edge = with_width(edge, _known(straights, tag.across))
            straights[tag.name] = edge
            return edge.made, edge.findings


def _point(
    tag: PointTag, scene: Scene, network: NetworkDoubt | None
) -> tuple[MeasuredPoint, tuple[Finding, ...]]:
    solved = solve_surface_point(tag.point, scene, tag.pick_sd_px, network=network, where=f"point {tag.name}")
    rms = float(np.sqrt(np.mean(solved.residuals_px**2))) if len(solved.residuals_px) else 0.0
    made = MeasuredPoint(
        name=tag.name, point_mm=vec3(solved.point_world), covariance_mm2=cov3(solved.covariance), rms_px=rms,
        photos=len(tag.point.picks),
    )  # fmt: skip
    return made, solved.findings


def _known(straights: dict[str, Straight], name: str) -> Straight:
    if name not in straights:
        raise InputError(
            "lies across from an edge that isn't measured before it",
            value=name,
            limit=f"there are: {', '.join(straights) or 'none'}",
            todo="tag that edge first",
        )
    return straights[name]
