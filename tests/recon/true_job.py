"""A made-up job for the tests of tags: cameras on a dome, pixels by OpenCV's own projection."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from elbowroom.shared.arrays import Faces, Floats, Points2, Points3
from elbowroom.shared.frames import Camera, Rigid, World
from elbowroom.shared.scene import Lens, MeasuredTarget, Photo, PickedPoint, PointPick, Pose, Scene, cov3

LENS = Lens(
    name="phone", width_px=4000, height_px=3000, focal_px=3000.0, cx_px=2010.0, cy_px=1490.0,
    k1=0.09, k2=-0.2, k3=0.05, p1=0.0004, p2=-0.0003,
)  # fmt: skip
CENTRES = {
    "north": (0, 800, 350), "east": (820, 60, 300), "south": (40, -780, 420),
    "west": (-800, -30, 250), "top": (60, 40, 900), "near north": (40, 800, 350), "by north": (140, 790, 350),
}  # fmt: skip


def looking(centre: Sequence[float], at: Sequence[float] = (0, 0, 0)) -> Rigid[Camera, World]:
    """Return the station of a camera at `centre` that looks at a point, its top up."""
    z = np.subtract(at, centre) / np.linalg.norm(np.subtract(at, centre))
    x = np.cross(z, (0.0, 0.0, 1.0)) if abs(z[2]) < 0.95 else np.array([1.0, 0.0, 0.0])
    x = x - z * (x @ z)
    x /= np.linalg.norm(x)
    rotation = np.vstack([x, np.cross(z, x), z])
    return Rigid(rotation, -rotation @ np.asarray(centre, float))


STATIONS = {name: looking(c) for name, c in CENTRES.items()}


def job(**parts: object) -> Scene:
    """Return a scene with those stations, one photo without station, and `parts` besides."""
    photos = [_photo(n).model_copy(update={"camera_from_world": Pose.of(s)}) for n, s in STATIONS.items()]
    return Scene(photos=(*photos, _photo("lost")), lenses=(LENS,)).model_copy(update=parts)


def _photo(name: str) -> Photo:
    return Photo(name=name, media="0" * 64, width_px=4000, height_px=3000, lens="phone")


def pixels(photo: str, points_world: object) -> Points2:
    """Return pixels (n, 2) of world points by cv2.projectPoints."""
    station = STATIONS[photo]
    camera = np.array([[LENS.focal_px, 0, LENS.cx_px], [0, LENS.focal_px, LENS.cy_px], [0, 0, 1]])
    bend = np.array([LENS.k1, LENS.k2, LENS.p1, LENS.p2, LENS.k3])
    points = np.asarray(points_world, float).reshape(-1, 1, 3)
    turn = cv2.Rodrigues(station.rotation)[0]
    return np.asarray(cv2.projectPoints(points, turn, station.shift, camera, bend)[0], float).reshape(-1, 2)


def pick(
    point: object,
    photos: Sequence[str] = ("north", "east", "top"),
    rng: np.random.Generator | None = None,
    sd: float = 1.0,
) -> PickedPoint:
    """Return a point picked in photos, exactly or off by noise."""
    picks = []
    for photo in photos:
        px = pixels(photo, point)[0] + (0 if rng is None else rng.normal(0, sd, 2))
        picks.append(PointPick(photo=photo, xy_px=(float(px[0]), float(px[1]))))
    return PickedPoint(picks=tuple(picks))


def typed(*point: float) -> PickedPoint:
    """Return a typed point."""
    x, y, z = point
    return PickedPoint(world_mm=(x, y, z))


def target(
    number: int, origin: Sequence[float], rotation: Floats, *, sd: float = 0.05, thickness: float = 1.5
) -> MeasuredTarget:
    """Return a measured target whose printed centre is `origin`."""
    pose: Rigid[World, World] = Rigid(rotation, np.asarray(origin, float))
    return MeasuredTarget(
        id=number, side_mm=40.0, thickness_mm=thickness, world_from_target=Pose.of(pose),
        covariance_mm2=cov3(sd**2 * np.eye(3)), seen_in=4,
    )  # fmt: skip


def winding(points: Points3, vertices: Points3, faces: Faces) -> Floats:
    """Return the winding number of a closed mesh about each point: 1 inside, 0 outside.

    Source: solid angle of a triangle, van Oosterom and Strackee 1983 (closed form, from memory).
    """
    out = np.zeros(len(points))
    for chunk in np.array_split(np.arange(len(points)), max(1, len(points) * len(faces) // 2_000_000)):
        a, b, c = (vertices[faces[:, k]][None] - points[chunk, None] for k in range(3))
        la, lb, lc = (np.linalg.norm(v, axis=2) for v in (a, b, c))
        volume = (a * np.cross(b, c)).sum(axis=2)
        rest = la * lb * lc + (a * b).sum(axis=2) * lc + (b * c).sum(axis=2) * la + (c * a).sum(axis=2) * lb
        out[chunk] = np.arctan2(volume, rest).sum(axis=1) / (2 * np.pi)
    return out


def is_closed(faces: Faces) -> bool:
    """Whether every directed edge is met once by its opposite."""
    edges = {(int(f[i]), int(f[(i + 1) % 3])) for f in faces for i in range(3)}
    return len(edges) == 3 * len(faces) and all((b, a) in edges for a, b in edges)


def volume_of(vertices: Points3, faces: Faces) -> float:
    """Return a closed mesh's volume, positive when its faces look outward (divergence theorem)."""
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    return float((a * np.cross(b, c)).sum() / 6)
