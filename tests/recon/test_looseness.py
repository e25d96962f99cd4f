"""Looseness is a bound: the truth reaches between the volume's planes and looseness under them, whatever the noise."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from tests.recon.outlined import THIN, THINGS, held, hull, outline, reach
from tests.recon.test_hull import VIEWS
from tests.recon.true_job import STATIONS, job

from elbowroom.recon.directions import DIRECTIONS
from elbowroom.recon.obstacles.cones import view_of
from elbowroom.recon.obstacles.hull import hull_of
from elbowroom.recon.obstacles.looseness import proof_of, supports, told
from elbowroom.recon.obstacles.outlines import drawn_outline
from elbowroom.recon.picks.stations import station_of
from elbowroom.shared.scene import VolumeTag

ALL = {**THINGS, **THIN}


def test_directions_are_unit_and_none_is_far_from_the_next() -> None:
    rng = np.random.default_rng(0)
    tried = rng.normal(size=(2000, 3))
    tried /= np.linalg.norm(tried, axis=1, keepdims=True)
    assert np.linalg.norm(DIRECTIONS, axis=1) == pytest.approx(1.0)
    assert len(np.unique(DIRECTIONS, axis=0)) == 98
    assert np.rad2deg(np.arccos((tried @ DIRECTIONS.T).max(axis=1))).max() < 18.0


@pytest.mark.parametrize(
    "photos", [("north", "east"), ("north", "by north", "top"), VIEWS], ids=["2", "3", "4"]
)
@pytest.mark.parametrize("name", ALL)
def test_truth_reaches_between_the_planes(name: str, photos: tuple[str, ...]) -> None:
    """Against the true mesh's own support, for several hands."""
    mesh = ALL[name]
    for seed in range(4):
        made = hull(mesh, photos, np.random.default_rng(seed))
        true, outer = reach(mesh, DIRECTIONS), supports(made.vertices_world)
        assert held(mesh, made)
        assert (true <= outer).all()
        assert (true >= outer - made.loose_mm).all(), DIRECTIONS[(outer - made.loose_mm - true).argmax()]


def test_a_bound_half_as_large_would_be_wrong_somewhere() -> None:
    """The bound is not idle: over things and photos the truth comes within a tenth of it."""
    used = []
    for mesh in THINGS.values():
        made = hull(mesh, ("north", "east"), np.random.default_rng(1))
        used.append(((supports(made.vertices_world) - reach(mesh, DIRECTIONS)) / made.loose_mm).max())
    assert max(used) > 0.5


def test_a_ball_is_tight_across_and_loose_along() -> None:
    """Closed form: grazing at right angles to a view leaves both doubts, 5.5 and 8 px; here 0.28 mm each, 3.8 mm."""
    made = hull(THINGS["ball"], VIEWS)
    assert made.loose_mm.min() == pytest.approx((5.5 + 8.0) * 850 / 3000, rel=0.25)
    two = hull(THINGS["ball"], ("north", "by north"))
    along = STATIONS["north"].inverse().shift / np.linalg.norm(STATIONS["north"].inverse().shift)
    loosest = DIRECTIONS[two.loose_mm.argmax()]
    assert abs(loosest @ along) > np.cos(np.deg2rad(20))
    assert two.loose_mm.max() > 20 * two.loose_mm.min()


def test_more_photos_loosen_nothing() -> None:
    """Looseness on the whole falls with every photo added in turn."""
    for mesh in THINGS.values():
        means = [hull(mesh, VIEWS[:n]).loose_mm.mean() for n in (2, 3, 4)]
        assert means[0] > means[1] > means[2]


def test_what_is_shared_with_a_cone_against_a_boolean() -> None:
    """The least support in each doubt's cone, against manifold3d's own intersection of volume and cone."""
    from manifold3d import Manifold, Mesh64

    from elbowroom.recon.obstacles import looseness as l

    scene = job()
    station = station_of(scene, "north")
    made = hull(THINGS["ring"], VIEWS)
    drawn = drawn_outline(
        np.array(outline(station, THINGS["ring"]).points_px), station, where="x", doubt_px=5.5
    )
    view = view_of(drawn, station, widen_px=5.5, far_mm=2000.0, stated_open=False, where="x")
    solid = Manifold(Mesh64(made.vertices_world.copy(), made.faces.astype(np.uint64)))
    rays = l._doubt_rays(l._places(view), view)
    least = []
    for ring in rays:
        corners = np.vstack([10.0 * ring, 2000.0 * ring])
        cone = Manifold.hull_points(station.camera_from_world.inverse().apply(corners))
        common = np.array((solid ^ cone).to_mesh64().vert_properties)[:, :3]
        least.append((common @ DIRECTIONS.T).min(axis=0))
    assert proof_of(view, made.vertices_world, made.faces).support_mm == pytest.approx(
        np.max(least, axis=0), abs=1e-6
    )


def test_it_is_told_in_words() -> None:
    made = hull(THINGS["block"], ("north", "by north"))
    told = next(f for f in made.findings if f.code == "tag-volume-loose")
    for words in ("loose by up to", "the camera of", "tight within"):
        assert words in told.message
    assert told.numbers["loosest_mm"] == pytest.approx(made.loose_mm.max())


def test_it_is_kept_with_the_obstacle() -> None:
    """Where it is most, then along the axes in turn, as measured from the volume itself."""
    made = hull(THINGS["block"], ("north", "by north"))
    kept = told(made.loose_mm)
    assert kept[0].mm == pytest.approx(made.loose_mm.max())
    axes = [(1, 0, 0), (-1, 0, 0), (0, 1, 0), (0, -1, 0), (0, 0, 1), (0, 0, -1)]
    assert np.array([k.direction for k in kept[1:]]) == pytest.approx(np.array(axes, float), abs=1e-12)
    assert told(np.full(98, np.inf)) == ()


def test_an_outline_of_another_thing_proves_nothing_here() -> None:
    """Moved between photos: the places that the volume can't come near are counted and named."""
    scene, mesh = job(), THIN["hose 6 mm"]
    moved = mesh.copy()
    moved.apply_translation((0, 9, 0))
    outlines = [outline(station_of(scene, p), mesh) for p in ("north", "top")]
    outlines.append(outline(station_of(scene, "east"), moved))
    made = hull_of(VolumeTag(name="thing", outlines=tuple(outlines)), scene)
    assert any(f.code == "tag-outline-unmet" and f.severity == "fault" for f in made.findings)
    assert isinstance(mesh, trimesh.Trimesh)
