"""The photo advised next: against all candidates, each with the true thing's own outline."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

import numpy as np
import pytest
from tests.recon.outlined import AT, THINGS, outline, tag, with_photo
from tests.recon.true_job import job

from elbowroom.recon.obstacles.cones import View
from elbowroom.recon.obstacles.hull import hull_of
from elbowroom.recon.obstacles.looseness import Proof
from elbowroom.recon.obstacles.nextphoto import candidates, guessed, kept_by
from elbowroom.recon.picks.stations import station_of
from elbowroom.shared.arrays import Faces, Floats, Points3
from elbowroom.shared.errors import Finding
from elbowroom.shared.scene import MeasuredFace, Scene, cov3

USED = [
    ("north", "by north"), ("north", "east"), ("north", "south"), ("east", "top"),
    ("north", "east", "south"), ("north", "west"), ("south", "west", "top"), ("east", "south"),
]  # fmt: skip
DOUBT_RAD = 5.5 / 3000


def only(photos: Sequence[str]) -> Scene:
    """The job with no photos but these: then only a new one can be advised."""
    scene = job()
    return scene.model_copy(update={"photos": tuple(p for p in scene.photos if p.name in photos)})


def inside(mesh_vertices: Points3, faces: Faces, count: int = 1500) -> Points3:
    """Points in a closed mesh, by casting against its solid (trimesh), from a seeded generator."""
    import trimesh

    mesh = trimesh.Trimesh(mesh_vertices, faces, process=False)
    box = mesh.bounding_box_oriented
    rng = np.random.default_rng(0)
    tried = trimesh.transform_points(
        (rng.uniform(size=(8 * count, 3)) - 0.5) * box.primitive.extents, box.primitive.transform
    )
    return np.asarray(tried[mesh.contains(tried)][:count])


@cache
def trial(name: str, photos: tuple[str, ...]) -> tuple[float, float, float]:
    """The share of a volume that the place advised, the best and the middling candidate take off, by the true thing."""
    scene, mesh = only(photos), THINGS[name]
    kept: list[Points3] = []
    with pytest.MonkeyPatch.context() as patch:
        whole = candidates

        def spied(scene: Scene, views: Sequence[View], guess: Points3) -> Points3:
            kept.append(whole(scene, views, guess))
            return kept[0]

        patch.setattr("elbowroom.recon.obstacles.nextphoto.candidates", spied)
        made = hull_of(tag(mesh, photos, scene, np.random.default_rng(5)), scene)
    points = inside(made.vertices_world, made.faces)
    cuts = 1 - kept_by(kept[0], np.asarray(mesh.vertices), points, DOUBT_RAD).mean(axis=1)
    found = advised(made.findings)
    advice = 0.0 if found is None else float(cuts[np.linalg.norm(kept[0] - found, axis=1).argmin()])
    return advice, float(cuts.max()), float(np.median(cuts))


def advised(findings: tuple[Finding, ...]) -> Floats | None:
    numbers = next((f.numbers for f in findings if f.code == "tag-next-photo"), None)
    return None if numbers is None else np.array([numbers[f"camera_{k}_mm"] for k in "xyz"])


def test_it_takes_off_much_of_what_the_best_would_and_more_than_any_place() -> None:
    """All candidates tried with the true thing's hull; measured when this was written (pinned): 0.76 on the mean and 0.94
    in the middle, 0.49 for a middling place. In 14 of 39 it falls below four fifths: what the next outline will show is
    not known before."""
    trials = [trial(name, photos) for name in THINGS for photos in USED]
    asked = [(a / best, m / best) for a, best, m in trials if a > 0]
    shares, middling = np.array(asked).T
    assert len(asked) > 0.6 * len(trials)
    assert shares.mean() > 0.7
    assert shares.mean() > middling.mean() + 0.2
    assert (shares >= 0.8).mean() > 0.5


@pytest.mark.parametrize("name", THINGS)
def test_where_it_matters_most_it_is_as_good_as_the_best(name: str) -> None:
    """Two photos from nearly one side leave a volume many times too long: there the advice takes off 80 % of the best."""
    advice, best, _ = trial(name, USED[0])
    assert best > 0.7
    assert advice >= 0.8 * best


@pytest.mark.parametrize("name", ["block", "ball", "bar"])
@pytest.mark.parametrize("photos", [USED[0], USED[2]], ids=["-".join(u) for u in (USED[0], USED[2])])
def test_the_photo_advised_makes_it_tighter(name: str, photos: tuple[str, ...]) -> None:
    """Taken and outlined: less volume and less looseness, on the mean and where it was loosest."""
    scene, mesh = only(photos), THINGS[name]
    drawn = tag(mesh, photos, scene, np.random.default_rng(5))
    before = hull_of(drawn, scene)
    eye = advised(before.findings)
    assert eye is not None
    more = with_photo(scene, "new", tuple(eye), AT)
    outlines = (*drawn.outlines, outline(station_of(more, "new"), mesh))
    after = hull_of(drawn.model_copy(update={"outlines": outlines}), more)
    assert after.volume_mm3 < 0.85 * before.volume_mm3
    assert after.loose_mm.mean() < 0.8 * before.loose_mm.mean()
    assert after.loose_mm[before.loose_mm.argmax()] < 0.7 * before.loose_mm.max()


def test_it_is_said_in_a_fabricators_words() -> None:
    """Right and up as the photo named shows them: from its place the camera goes the way that is told."""
    scene = only(("north", "south"))
    made = hull_of(tag(THINGS["block"], ("north", "south"), scene), scene)
    told = next(f for f in made.findings if f.code == "tag-next-photo")
    assert "take one more photo from" in told.message
    assert "as seen in" in told.message
    photo = told.message.split("as seen in ")[1].split(":")[0]
    seen = station_of(scene, photo)
    eye = advised(made.findings)
    assert eye is not None
    aside = seen.camera_from_world.rotation @ (eye - seen.centre_world)
    way = told.message.split("photo from ")[1].split(", as seen")[0]
    if "left" in way or "right" in way:
        assert (aside[0] > 0) == ("right" in way)
    if "high" in way or "low" in way:
        assert (aside[1] < 0) == ("high" in way)


def test_no_place_behind_a_face_that_the_thing_lies_before() -> None:
    """A wall at y = -100 faces +y: every candidate stays on the thing's side of it, and without it some do not."""
    scene = only(("north", "east", "south"))
    wall = MeasuredFace(
        name="wall", point_mm=(0, -100, 0), normal=(0, 1, 0), covariance_mm2=cov3(np.eye(3)),
        tilt_sd_rad=0.0, rms_mm=0.0, reach_mm=500.0,
    )  # fmt: skip
    places = []

    def spied(scene: Scene, views: Sequence[View], guess: Points3) -> Points3:
        places.append(candidates(scene, views, guess))
        return places[-1]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("elbowroom.recon.obstacles.nextphoto.candidates", spied)
        for faces in ((), (wall,)):
            walled = scene.model_copy(update={"measured_faces": faces})
            hull_of(tag(THINGS["ball"], ("north", "east"), walled), walled)
    assert (places[0][:, 1] < -100).any()
    assert (places[1][:, 1] > -100).all()
    assert len(places[1]) > 10


def test_a_photo_already_taken_is_named_first() -> None:
    """One from the side is in the job and not outlined yet: it is asked for by name, no new one."""
    scene = only(("north", "by north", "west"))
    made = hull_of(tag(THINGS["ball"], ("north", "by north"), scene), scene)
    told = [f for f in made.findings if f.code.startswith("tag-next")]
    assert [f.code for f in told] == ["tag-next-outline"]
    assert "west" in told[0].message
    assert told[0].numbers["cut_percent"] > 50


def test_the_guess_lies_on_the_lines_of_sight() -> None:
    spans = np.array([[[0, 0, 0], [10.0, 0, 0]], [[4, -5, 0], [4.0, 5, 0]]])
    proof = Proof(np.zeros(98), spans, 0.0)
    assert guessed([proof]) == pytest.approx(np.array([[4.75, 0, 0], [4, 0, 0]]))
