"""Scenes of drawn photos with known truth, small enough to draw in seconds."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import lru_cache
from itertools import combinations

import numpy as np
import numpy.typing as npt
from synthetic import Layout, Look, draw, look_at

from elbowroom.recon.reading.photos import import_photo
from elbowroom.shared.frames import Camera, Rigid, Target, World, frame_on_plane
from elbowroom.shared.scene import CardTarget, Lens, ScaleCard, Scene

Floats = npt.NDArray[np.float64]

LENS = Lens(
    name="drawn", width_px=1600, height_px=1200, focal_px=1400.0, cx_px=806.0, cy_px=594.0,
    k1=0.08, k2=-0.2, k3=0.05, p1=3e-4, p2=-2e-4,
)  # fmt: skip
SIDE_MM = 40.0
CARD_SPOTS = {100: (0.0, 0.0), 101: (150.0, 0.0), 102: (0.0, 100.0), 103: (150.0, 100.0)}
ROUND = (
    (0.0, 1.0, 0.0),
    (1.2, 0.9, 0.4),
    (2.3, 1.0, 0.0),
    (3.4, 0.8, 1.57),
    (4.5, 1.0, 0.0),
    (5.4, 0.35, 3.1),
)
"""Bearing (rad), distance out (of 420 mm) and roll (rad) of six cameras round the spot; one portrait, one on its head."""

CARD = ScaleCard(
    name="card a",
    side_mm=SIDE_MM,
    targets=tuple(CardTarget(id=i, x_mm=x, y_mm=y) for i, (x, y) in CARD_SPOTS.items()),
)


def spot() -> Layout:
    """Return four loose targets on things of different height and slant, and a card with four more."""
    rng = np.random.default_rng(8)
    places: dict[int, Rigid[World, Target]] = {}
    for i, (x, y, z) in enumerate(
        [(-120.0, -70.0, 0.0), (110.0, -80.0, -50.0), (-20.0, -120.0, 40.0), (130.0, 40.0, 20.0)]
    ):
        normal = rng.normal(0, 0.3, 3) + np.array([0, 0, 1.0])
        places[i] = frame_on_plane(np.array([x, y, z]), normal, rng.normal(size=3))
    for i, (x, y) in CARD_SPOTS.items():
        places[i] = frame_on_plane(
            np.array([-140 + x, 10 + y, 15.0]), np.array([0, 0, 1.0]), np.array([1.0, 0, 0])
        )
    return Layout(dict.fromkeys(places, SIDE_MM), places)


def stations(turns: Sequence[tuple[float, float, float]] = ROUND) -> list[Rigid[Camera, World]]:
    """Return cameras round the spot, each looking at its middle."""
    return [
        look_at(
            np.array([420 * r * np.cos(a), 420 * r * np.sin(a), 430 + 60 * np.sin(3 * a)]),
            np.array([-20.0, 0, 0]),
            roll,
        )
        for a, r, roll in turns
    ]


@lru_cache(maxsize=1)
def photos_of_spot() -> tuple[bytes, ...]:
    """Return the six photos of the spot, drawn once."""
    rng = np.random.default_rng(3)
    return tuple(draw(spot(), LENS, s, rng, Look()) for s in stations())


def scene_of(photos: Sequence[bytes], **kept: object) -> tuple[Scene, dict[str, bytes]]:
    """Return a scene of photos (a.jpg, b.jpg...) and their bytes; `kept` are further fields of the scene."""
    media, taken, lenses = {}, [], {}
    for i, data in enumerate(photos):
        photo, lens, stored, _ = import_photo(f"{'abcdefghijkl'[i]}.jpg", data)
        media[photo.media], lenses[lens.name] = stored, lens
        taken.append(photo)
    given = {"name": "spot", "default_side_mm": SIDE_MM} | kept
    return Scene(photos=tuple(taken), lenses=tuple(lenses.values()), **given), media


def distance_errors(scene: Scene, places: Mapping[int, Rigid[World, Target]]) -> Floats:
    """Return measured less true distance (mm) between every two measured target centres."""
    centres = {m.id: np.array(m.world_from_target.shift_mm) for m in scene.measured}
    return np.array(
        [
            np.linalg.norm(centres[a] - centres[b]) - np.linalg.norm(places[a].shift - places[b].shift)
            for a, b in combinations(sorted(centres), 2)
        ]
    )
