"""Outlines that run off the photo, and thin things: the volume holds the thing, or the message says why it can't."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
import trimesh
from tests.recon.outlined import (
    AT,
    THIN,
    THINGS,
    clicked,
    held,
    hull,
    outline,
    silhouette,
    tag,
    with_photo,
)
from tests.recon.test_hull import VIEWS
from tests.recon.true_job import job

from elbowroom.recon.directions import DIRECTIONS
from elbowroom.recon.obstacles.hull import hull_of
from elbowroom.recon.obstacles.looseness import supports
from elbowroom.recon.picks.stations import station_of
from elbowroom.shared.errors import InputError
from elbowroom.shared.scene import PhotoOutline, Scene, VolumeTag

ASIDE = {  # where the thing's middle appears in photos that look past it: it runs off a side, or a corner
    "off left": ((300, 700, 300), (40, 1490)),
    "off right": ((300, 700, 300), (3970, 1490)),
    "off below": ((-200, -600, 500), (2010, 2960)),
    "off corner": ((0, 700, 300), (60, 2900)),
}


def aside(name: str) -> Scene:
    """The job with a photo more, turned until the thing's middle comes to where it is wanted."""
    eye, wanted = ASIDE[name]
    at = AT.copy()
    for _ in range(30):
        scene = with_photo(job(), name, eye, at)
        station = station_of(scene, name)
        off = (np.array(wanted) - station.project(AT[None])[0]) * station.mm_per_px(AT)
        at = at - 0.7 * station.camera_from_world.rotation[:2].T @ off
    return scene


def cut_tag(mesh: trimesh.Trimesh, scene: Scene, cut: str, whole: tuple[str, ...], seed: int) -> VolumeTag:
    rng = np.random.default_rng(seed)
    outlines = [outline(station_of(scene, cut), mesh, rng, cut=True)]
    return VolumeTag(
        name="thing", outlines=(*outlines, *(outline(station_of(scene, p), mesh, rng) for p in whole))
    )


def share_shown(mesh: trimesh.Trimesh, scene: Scene, photo: str) -> float:
    shape = silhouette(station_of(scene, photo), mesh)
    return float((shape & shapely.box(0, 0, 3999, 2999)).area / shape.area)


@pytest.mark.parametrize("cut", ASIDE)
@pytest.mark.parametrize("name", ["block", "bar", "ring", "angle"])
def test_what_runs_off_a_photo_is_held(name: str, cut: str) -> None:
    """Outlined up to the photo's edge in one, whole in two others: held, and the cut photo still tightens it."""
    scene, mesh = aside(cut), THINGS[name]
    assert 0.1 < share_shown(mesh, scene, cut) < 0.95
    for seed in range(3):
        made = hull_of(cut_tag(mesh, scene, cut, ("east", "top"), seed), scene)
        assert held(mesh, made)
        assert not [f for f in made.findings if f.severity == "fault"]
        assert next(f.message for f in made.findings if f.code == "tag-outline-open").count(cut) == 1
        true, outer = (np.asarray(mesh.vertices) @ DIRECTIONS.T).max(axis=0), supports(made.vertices_world)
        assert (true >= outer - made.loose_mm).all()
    two = hull(mesh, ("east", "top"), np.random.default_rng(0))
    assert made.volume_mm3 < two.volume_mm3


def test_taken_as_whole_it_would_lose_the_thing() -> None:
    """Drawn 40 px short of the photo's edge it cuts off what that photo did not show, unless it is said to be open."""
    scene, mesh = aside("off left"), THINGS["bar"]
    rest = [outline(station_of(scene, p), mesh) for p in ("east", "top")]
    short = outline(station_of(scene, "off left"), mesh, cut=True, short_px=40)
    assert not held(mesh, hull_of(VolumeTag(name="bar", outlines=(short, *rest)), scene))
    stated = short.model_copy(update={"open": True})
    assert held(mesh, hull_of(VolumeTag(name="bar", outlines=(stated, *rest)), scene))


def test_said_to_be_open_but_nowhere_near_the_edge() -> None:
    drawn = tag(THINGS["block"], VIEWS, job())
    first = drawn.outlines[0].model_copy(update={"open": True})
    with pytest.raises(InputError, match=r"photo north: an open outline runs on past a side.*leave out open"):
        hull_of(drawn.model_copy(update={"outlines": (first, *drawn.outlines[1:])}), job())


def test_a_rail_that_runs_through_all_photos_has_no_end() -> None:
    rail = trimesh.creation.box(extents=(1500, 40, 60))
    scene = job()
    outlines = tuple(outline(station_of(scene, p), rail, cut=True) for p in ("north", "south", "top"))
    with pytest.raises(InputError, match=r"runs on without end.*outline it in one more photo"):
        hull_of(VolumeTag(name="rail", outlines=outlines), scene)


def test_a_piece_the_open_photo_does_not_show_is_dropped() -> None:
    """Beyond the photo's other edge the two cones go on, but not in one piece with what it shows."""
    scene, mesh = aside("off left"), THINGS["ring"]
    made = hull_of(cut_tag(mesh, scene, "off left", ("north", "by north", "top"), 0), scene)
    parts = trimesh.Trimesh(made.vertices_world, made.faces, process=False).split(only_watertight=False)
    assert len(parts) == 1
    assert held(mesh, made)


@pytest.mark.parametrize("photos", [("north", "east"), ("east", "top"), VIEWS], ids=["2", "2 edge-on", "4"])
@pytest.mark.parametrize("name", THIN)
def test_thin_things_are_held(name: str, photos: tuple[str, ...]) -> None:
    """Narrower than the clicks' doubt, so that the noisy line crosses itself: nothing is lost all the same."""
    for seed in range(5):
        drawn = tag(THIN[name], photos, job(), np.random.default_rng(seed), every_px=60)
        made = hull_of(drawn, job())
        assert held(THIN[name], made)
        assert np.isfinite(made.loose_mm).all()
        assert not [f for f in made.findings if f.severity == "fault"]


def test_noise_does_cross_thin_lines_here() -> None:
    """The tests above are not idle: most of the wire's outlines cross themselves."""
    rng, scene = np.random.default_rng(0), job()
    crossed = [
        not shapely.Polygon(
            outline(station_of(scene, p), THIN["wire 0.7 mm"], rng, every_px=60).points_px
        ).is_valid
        for p in VIEWS
        for _ in range(5)
    ]
    assert sum(crossed) > 5


def test_a_line_there_and_back_is_a_wire() -> None:
    """Drawn without any area: the widening alone makes the cone."""
    scene, ends = job(), AT + np.array([[-50, 0, 0], [50, 0, 10]])
    outlines = []
    for photo in ("north", "top"):
        a, b = station_of(scene, photo).project(ends)
        outlines.append(PhotoOutline(photo=photo, points_px=clicked(np.array([a, (a + b) / 2, b]), None)))
    made = hull_of(VolumeTag(name="wire", outlines=tuple(outlines)), scene)
    thick = 2 * made.widened_mm
    assert made.volume_mm3 < 4 * 101 * thick**2
    wire = trimesh.creation.cylinder(radius=0.3, segment=ends, sections=6)
    assert held(wire, made)


def test_a_thin_thing_that_moved_is_told_by_how_much() -> None:
    """Closed form: a level wire of 6 mm, 120 mm long, seen at its own height from 700 mm in photos 45 degrees apart,
    and moved up 20 mm. Both cones' middles part by 20 mm x depth / 700; half a cone is 3 mm and 6 px there, 4.4 mm.
    They come nearest in the corner towards both cameras (depths 570 and 577): 16.3 - 3.6 - 3.6 = 9.1 mm."""
    scene = with_photo(job(), "a", (0, 700, 20), (0, 0, 20))
    scene = with_photo(scene, "b", (500, 500, 20), (0, 0, 20))
    wire = trimesh.creation.cylinder(radius=3, segment=[[-60, 0, 20], [60, 0, 20]])
    moved = wire.copy()
    moved.apply_translation([0, 0, 20])
    outlines = (outline(station_of(scene, "a"), wire), outline(station_of(scene, "b"), moved))
    with pytest.raises(
        InputError, match=r"a and b pass \d+\.\d mm from each other.*the thing moved"
    ) as caught:
        hull_of(VolumeTag(name="hose", outlines=outlines), scene)
    assert float(str(caught.value).split("pass ")[1].split(" mm")[0]) == pytest.approx(9.1, abs=0.7)
