"""Things of known shape, outlined by a hand in made-up photos: exact silhouettes, clicks off by noise."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
import trimesh
from tests.recon.true_job import LENS, job, looking, winding

from elbowroom.recon.obstacles.hull import Hull, hull_of
from elbowroom.recon.picks.stations import Station, station_of
from elbowroom.shared.arrays import Floats, Points2
from elbowroom.shared.scene import Photo, PhotoOutline, Pose, Scene, VolumeTag

AT = np.array([10.0, -5.0, 20.0])


def _placed(mesh: trimesh.Trimesh, turn: Sequence[float] = (0.4, 0.3, 0.2)) -> trimesh.Trimesh:
    mesh.apply_transform(trimesh.transformations.euler_matrix(*turn))
    mesh.apply_translation(AT)
    return mesh


def _angle() -> trimesh.Trimesh:
    """An angle bar: two legs at a right angle, hollow between them."""
    one = trimesh.creation.box(extents=(90, 60, 8))
    other = trimesh.creation.box(extents=(90, 8, 70))
    other.apply_translation((0, -26, 31))
    return trimesh.boolean.union([one, other], engine="manifold")


THINGS: dict[str, trimesh.Trimesh] = {
    "block": _placed(trimesh.creation.box(extents=(80, 50, 40))),
    "square block": _placed(trimesh.creation.box(extents=(80, 50, 40)), (0, 0, 0)),
    "ball": _placed(trimesh.creation.icosphere(subdivisions=2, radius=45)),
    "bar": _placed(trimesh.creation.cylinder(radius=12, height=180, sections=40)),
    "ring": _placed(
        trimesh.creation.torus(major_radius=45, minor_radius=14, major_sections=28, minor_sections=12)
    ),
    "angle": _placed(_angle()),
}
THIN: dict[str, trimesh.Trimesh] = {
    "hose 6 mm": _placed(trimesh.creation.cylinder(radius=3, height=150, sections=24)),
    "wire 0.7 mm": _placed(trimesh.creation.cylinder(radius=0.35, height=120, sections=12)),
    "sheet 2 mm": _placed(trimesh.creation.box(extents=(90, 60, 2)), (0, 0, 0)),
    "sheet edge-on": _placed(trimesh.creation.box(extents=(90, 60, 2)), (np.pi / 2, 0, 0)),
}


_DRAWN: dict[tuple[bytes, bytes], shapely.Polygon] = {}


def silhouette(station: Station, mesh: trimesh.Trimesh) -> shapely.Polygon:
    """Return the outer rim, px, of a mesh in a photo: its projected triangles in one. Drawn once for all hands."""
    key = (np.asarray(mesh.vertices).tobytes(), station.camera_from_world.matrix().tobytes())
    if key not in _DRAWN:
        _DRAWN[key] = _silhouette(station, mesh)
    return _DRAWN[key]


def _silhouette(station: Station, mesh: trimesh.Trimesh) -> shapely.Polygon:
    triangles = shapely.polygons(station.project(mesh.vertices)[mesh.faces])
    shape = (
        shapely.union_all(triangles[shapely.area(triangles) > 1e-9], grid_size=1e-4)
        .buffer(0.01)
        .buffer(-0.01)
    )
    return shapely.Polygon(max(getattr(shape, "geoms", [shape]), key=lambda g: g.area).exterior)


def clicked(
    ring: Points2, rng: np.random.Generator | None, sd: float = 1.0
) -> tuple[tuple[float, float], ...]:
    """Return a ring's corners as clicked, each off by noise."""
    noisy = ring + (0 if rng is None else rng.normal(0, sd, ring.shape))
    return tuple((float(x), float(y)) for x, y in noisy)


def outline(
    station: Station,
    mesh: trimesh.Trimesh,
    rng: np.random.Generator | None = None,
    *,
    cut: bool = False,
    short_px: float = 0.0,
    every_px: float = np.inf,
) -> PhotoOutline:
    """Return a mesh's outline, thinned to 1 px, a click at least `every_px`; `cut` draws it up to the photo's edge and
    along it, or stops `short_px` before."""
    shape = silhouette(station, mesh)
    if cut:
        shape = shape & shapely.box(
            short_px, short_px, station.lens.width_px - 1 - short_px, station.lens.height_px - 1 - short_px
        )
    thinned = shape.simplify(1.0)
    ring = np.array((thinned if np.isinf(every_px) else thinned.segmentize(every_px)).exterior.coords)[:-1]
    return PhotoOutline(photo=station.photo, points_px=clicked(ring, rng))


def tag(
    mesh: trimesh.Trimesh,
    photos: Sequence[str],
    scene: Scene,
    rng: np.random.Generator | None = None,
    every_px: float = np.inf,
) -> VolumeTag:
    """Return a volume tag with a mesh's outlines in photos of a scene."""
    return VolumeTag(
        name="thing",
        outlines=tuple(outline(station_of(scene, p), mesh, rng, every_px=every_px) for p in photos),
    )


def with_photo(scene: Scene, name: str, eye: Sequence[float], at: Sequence[float] | Floats = AT) -> Scene:
    """Return a scene with one more photo, taken from `eye` towards a point."""
    station = Pose.of(looking(eye, tuple(at)))
    photo = Photo(
        name=name, media="0" * 64, width_px=4000, height_px=3000, lens=LENS.name, camera_from_world=station
    )
    return scene.model_copy(update={"photos": (*scene.photos, photo)})


def held(mesh: trimesh.Trimesh, hull: Hull) -> bool:
    """Whether every vertex of a mesh lies in a volume, by winding number."""
    return bool((winding(np.asarray(mesh.vertices), hull.vertices_world, hull.faces) > 0.5).all())


def hull(mesh: trimesh.Trimesh, photos: Sequence[str], rng: np.random.Generator | None = None) -> Hull:
    """Return the volume of a mesh outlined in photos of the made-up job."""
    scene = job()
    return hull_of(tag(mesh, photos, scene, rng), scene)


def reach(mesh: trimesh.Trimesh, directions: Floats) -> Floats:
    """Return how far a mesh reaches along directions (n, 3), from its vertices."""
    return np.asarray((np.asarray(mesh.vertices) @ directions.T).max(axis=0))
