"""Readings made without photos: corners projected by OpenCV, so that a fault can be planted in milliseconds."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import cv2
import numpy as np
import numpy.typing as npt
from synthetic import Layout
from tests.recon.drawn import LENS, SIDE_MM, spot, stations

from elbowroom.recon.reading.detect import Sighting
from elbowroom.recon.reading.edges import Corners, Edges
from elbowroom.recon.reading.pattern import CORNERS, edge_samples
from elbowroom.recon.reading.readings import Reading
from elbowroom.shared.frames import Camera, Rigid, Target, World
from elbowroom.shared.scene import Lens, Photo, Scene

Floats = npt.NDArray[np.float64]
NOISE_PX = 0.03
SAMPLES = 40


def seen_by_opencv(points_world: Floats, station: Rigid[Camera, World], lens: Lens) -> Floats:
    """Return pixels (n, 2) of world points by OpenCV's projectPoints."""
    matrix = np.array([[lens.focal_px, 0, lens.cx_px], [0, lens.focal_px, lens.cy_px], [0, 0, 1]])
    turn, _ = cv2.Rodrigues(station.rotation)
    coefficients = np.array([lens.k1, lens.k2, lens.p1, lens.p2, lens.k3])
    pixels, _ = cv2.projectPoints(np.asarray(points_world), turn, station.shift, matrix, coefficients)
    return np.asarray(pixels, dtype=np.float64).reshape(-1, 2)


def sighting(
    target: int, side: float, place: Rigid[World, Target], station: Rigid[Camera, World], lens: Lens,
    rng: np.random.Generator,
) -> Sighting | None:  # fmt: skip
    """Return a target as one photo shows it, None where it faces away or lies outside the photo."""
    camera = station @ place
    if -camera.rotation[:, 2] @ camera.shift / np.linalg.norm(camera.shift) < 0.3:
        return None
    off = rng.normal(0, NOISE_PX, (4, 2))  # the four corners' own noise moves the boundaries with them

    def pixels(points: Floats) -> Floats:
        return seen_by_opencv(
            place.apply(np.column_stack([points * side, np.zeros(len(points))])), station, lens
        )

    corners = pixels(CORNERS) + off
    if (corners < 5).any() or (corners > np.array([lens.width_px, lens.height_px]) - 6).any():
        return None
    samples = edge_samples(target).every(5)
    weights = np.column_stack(
        [
            (0.5 - sx * samples.points[:, 0]) * (0.5 - sy * samples.points[:, 1])
            for sx, sy in ((1, -1), (-1, -1), (-1, 1), (1, 1))
        ]
    )
    points = pixels(samples.points) + weights @ off
    ahead = pixels(samples.points + 1e-3 * samples.normals) + weights @ off
    along = pixels(samples.points + 1e-3 * samples.normals[:, ::-1] * [-1, 1]) + weights @ off
    normal = np.column_stack([(along - points)[:, 1], -(along - points)[:, 0]])
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    normal *= np.sign((normal * (ahead - points)).sum(axis=1))[:, None]
    points = points + rng.normal(0, 0.05, points.shape)
    return Sighting(
        target, Edges(points, normal, samples.points), Corners(corners, NOISE_PX**2 * np.eye(8), 0.0, 0.05)
    )


def reading(
    name: str,
    layout: Layout,
    station: Rigid[Camera, World],
    *,
    lens: Lens = LENS,
    group: Lens = LENS,
    seed: int = 0,
) -> Reading:
    """Return what one photo of a layout shows; taken through `lens`, said to be of the lens group `group`."""
    rng = np.random.default_rng([seed, *name.encode()])
    seen = [
        s for t in sorted(layout.places)
        if (s := sighting(t, layout.sides[t], layout.places[t], station, lens, rng)) is not None
    ]  # fmt: skip
    photo = Photo(
        name=name, media="0" * 64, width_px=lens.width_px, height_px=lens.height_px, lens=group.name
    )
    return Reading(photo, tuple(seen), ())


def readings_of(layouts: Sequence[Layout], lenses: Mapping[int, Lens] | None = None) -> list[Reading]:
    """Return one reading a layout, from stations round the spot; `lenses` are those of photos taken otherwise."""
    other = lenses or {}
    return [
        reading(f"{'abcdefghijkl'[i]}.jpg", layout, station, lens=other.get(i, LENS))
        for i, (layout, station) in enumerate(zip(layouts, stations(ROUND8[: len(layouts)]), strict=True))
    ]


ROUND8 = tuple((0.8 * i, (1.0, 0.7, 0.9, 0.5)[i % 4], (0.0, 1.57)[i % 2]) for i in range(8))
"""Bearing, distance out and roll of eight stations round the spot (see `drawn.stations`)."""


def spot_scene(readings: Sequence[Reading], **kept: object) -> Scene:
    """Return a scene of readings' photos; the lens is known to a tenth, as EXIF would say."""
    lens = LENS.model_copy(
        update={"focal_px": 1450.0, "focal_sd_px": 145.0, "cx_px": 799.5, "cy_px": 599.5}
        | dict.fromkeys(("k1", "k2", "k3", "p1", "p2"), 0.0)
    )
    given = {"name": "spot", "default_side_mm": SIDE_MM} | kept
    return Scene(photos=tuple(r.photo for r in readings), lenses=(lens,), **given)


def moved(layout: Layout, target: int, shift: Sequence[float]) -> Layout:
    """Return a layout with one target shifted (mm, world)."""
    place = layout.places[target]
    return Layout(
        layout.sides, {**layout.places, target: Rigid(place.rotation, place.shift + np.array(shift))}
    )


def plain() -> Layout:
    """Return the spot as it is."""
    return spot()
