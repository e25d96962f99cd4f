"""Holes and edges from picks: circles and lines projected by OpenCV; stated doubt against the scatter of noisy picks.

Bounds are the 95 % points of chi-square: for n runs of k degrees, n k +- 1.96 sqrt(2 n k).
"""

from __future__ import annotations

import numpy as np
import pytest
from tests.recon.true_job import job, pixels

from elbowroom.recon.features.rounds import measure_hole
from elbowroom.recon.features.straights import measure_edge, with_width
from elbowroom.shared.arrays import Floats
from elbowroom.shared.errors import InputError
from elbowroom.shared.features import EdgeTag, HoleTag, LinePicks, RimPicks
from elbowroom.shared.scene import MeasuredFace, Scene, Vec2, cov3, vec3

CENTRE, NORMAL, RADIUS = np.array([20.0, -15.0, 12.0]), np.array([0.1, -0.2, 1.0]) / np.sqrt(1.05), 9.0
SIDE = np.cross(NORMAL, [0, 1.0, 0]) / np.linalg.norm(np.cross(NORMAL, [0, 1.0, 0]))
AXES = np.column_stack([SIDE, np.cross(NORMAL, SIDE), NORMAL])
RUNS = 120


def face(
    offset: float = 0.0, tilts: tuple[float, float] = (0, 0), sd: float = 0.0, tilt_sd: float = 0.0
) -> MeasuredFace:
    """The face the hole is in, off by a shift along its normal at the hole and by two tilts about it."""
    normal = NORMAL + AXES[:, :2] @ np.array(tilts)
    normal /= np.linalg.norm(normal)
    return MeasuredFace(
        name="rail", point_mm=vec3(CENTRE + offset * NORMAL), normal=vec3(normal), tilt_sd_rad=tilt_sd, rms_mm=0, reach_mm=80,
        covariance_mm2=cov3(sd**2 * np.outer(NORMAL, NORMAL)),
    )  # fmt: skip


def ring(count: int = 8, above: float = 0.0) -> Floats:
    turn = np.arange(count) * 2 * np.pi / count + 0.2
    return (
        CENTRE
        + above * NORMAL
        + RADIUS * (np.cos(turn)[:, None] * AXES[:, 0] + np.sin(turn)[:, None] * AXES[:, 1])
    )


def seen(photo: str, points: Floats, rng: np.random.Generator | None, sd: float) -> tuple[Vec2, ...]:
    px = pixels(photo, points) + (0 if rng is None else rng.normal(0, sd, (len(points), 2)))
    return tuple((float(x), float(y)) for x, y in px)


def hole(
    photos: tuple[str, ...],
    rng: np.random.Generator | None = None,
    *,
    sd: float = 1.0,
    above: float = 0.0,
    **more: object,
) -> HoleTag:
    rims = tuple(RimPicks(photo=p, points_px=seen(p, ring(above=above), rng, sd)) for p in photos)
    return HoleTag.model_validate({"name": "eye", "rims": rims, "above_mm": above, "pick_sd_px": sd, **more})


def within_chi_square(total: float, degrees: int) -> bool:
    return abs(total - degrees) < 1.96 * np.sqrt(2 * degrees)


@pytest.mark.parametrize("photos", [("north",), ("top", "east"), ("north", "east", "top", "west")])
def test_exact_rims_on_a_face_give_the_hole(photos: tuple[str, ...]) -> None:
    made, findings = measure_hole(hole(photos, face="rail"), job(measured_faces=(face(),)))
    assert made.centre_mm == pytest.approx(CENTRE, abs=1e-6)
    assert made.radius_mm == pytest.approx(RADIUS, abs=1e-6)
    assert made.axis == pytest.approx(NORMAL)
    assert findings == ()


def test_a_rim_above_its_face_has_its_centre_on_the_face() -> None:
    """A washer's rim 2.5 mm above: the bolt's seat is below it."""
    made, _ = measure_hole(hole(("north", "top"), above=2.5, face="rail"), job(measured_faces=(face(),)))
    assert made.centre_mm == pytest.approx(CENTRE, abs=1e-6)
    assert made.radius_mm == pytest.approx(RADIUS, abs=1e-6)


@pytest.mark.parametrize("photos", [("north", "east"), ("north", "east", "top", "west")])
def test_exact_rims_in_space_give_the_hole_and_its_axis(photos: tuple[str, ...]) -> None:
    made, findings = measure_hole(hole(photos), job())
    assert made.centre_mm == pytest.approx(CENTRE, abs=1e-5)
    assert made.radius_mm == pytest.approx(RADIUS, abs=1e-5)
    assert made.axis == pytest.approx(NORMAL, abs=1e-6)
    assert findings == ()


@pytest.mark.slow
@pytest.mark.parametrize("photos", [("north",), ("north", "east", "top")])
def test_doubt_of_a_hole_on_a_face_is_the_spread_of_noisy_picks_and_faces(photos: tuple[str, ...]) -> None:
    rng, squares, radii = np.random.default_rng(11), 0.0, 0.0
    for _ in range(RUNS):
        at = face(rng.normal(0, 0.3), tuple(rng.normal(0, 0.01, 2)), 0.3, 0.01)
        made, _ = measure_hole(hole(photos, rng, face="rail"), job(measured_faces=(at,)))
        off = np.array(made.centre_mm) - CENTRE
        squares += off @ np.linalg.solve(np.array(made.covariance_mm2), off)
        radii += ((made.radius_mm - RADIUS) / made.radius_sd_mm) ** 2
    assert within_chi_square(squares, 3 * RUNS)
    assert within_chi_square(radii, RUNS)


@pytest.mark.slow
def test_doubt_of_a_free_hole_is_the_spread_of_noisy_picks() -> None:
    rng, squares, radii, tilts = np.random.default_rng(14), 0.0, 0.0, []
    for _ in range(RUNS):
        made, _ = measure_hole(hole(("north", "east", "top", "west"), rng, sd=0.5), job())
        off = np.array(made.centre_mm) - CENTRE
        squares += off @ np.linalg.solve(np.array(made.covariance_mm2), off)
        radii += ((made.radius_mm - RADIUS) / made.radius_sd_mm) ** 2
        tilts.append(np.linalg.norm(np.cross(made.axis, NORMAL)) / made.tilt_sd_rad)
    assert within_chi_square(squares, 3 * RUNS)
    assert within_chi_square(radii, RUNS)
    # two tilts, the stated one the worse: rms between 1 and sqrt(2) of it
    assert 0.85 < np.sqrt(np.mean(np.square(tilts))) < 1.55


def test_a_pick_beside_the_rim_is_named_and_widens_the_doubt() -> None:
    good = hole(("north", "top"), np.random.default_rng(1), face="rail")
    (x, y), *rest = good.rims[1].points_px
    wrong = good.rims[1].model_copy(update={"points_px": ((x + 12, y + 12), *rest)})
    scene = job(measured_faces=(face(),))
    before, _ = measure_hole(good, scene)
    made, findings = measure_hole(good.model_copy(update={"rims": (good.rims[0], wrong)}), scene)
    assert [f.code for f in findings] == ["tag-rim-off"]
    assert "top" in findings[0].message
    assert made.radius_sd_mm > 1.5 * before.radius_sd_mm


# --- edges ---------------------------------------------------------------------------------------------------

START, END = CENTRE - 40 * SIDE, CENTRE + 30 * SIDE


def edge(
    photos: tuple[str, ...], rng: np.random.Generator | None = None, *, shift: float = 0.0, **more: object
) -> EdgeTag:
    """Four picks along an edge of the face in each photo, the photos' picks not the same places."""
    lines = []
    for i, p in enumerate(photos):
        along = np.linspace(0.02 * i, 1, 4)[:, None]
        points = START + along * (END - START) + shift * AXES[:, 1]
        lines.append(LinePicks(photo=p, points_px=seen(p, points, rng, 1.0)))
    return EdgeTag(name="lip", lines=tuple(lines)).model_copy(update=more)


@pytest.mark.parametrize(
    ("photos", "on"), [(("north",), "rail"), (("north", "top"), "rail"), (("north", "top"), None)]
)
def test_exact_picks_give_the_edge(photos: tuple[str, ...], on: str | None) -> None:
    made = measure_edge(edge(photos, face=on), job(measured_faces=(face(),))).made
    ends = sorted((made.start_mm, made.end_mm))
    assert np.array(ends) == pytest.approx(np.array(sorted((vec3(START), vec3(END)))), abs=1e-5)


@pytest.mark.slow
@pytest.mark.parametrize("on", ["rail", None])
def test_doubt_of_an_edge_is_the_spread_of_noisy_picks(on: str | None) -> None:
    rng, squares, widths, tilts = np.random.default_rng(13), 0.0, 0.0, []
    photos = ("north", "top", "south")
    across = AXES[:, 1:]  # the two ways across the edge
    for _ in range(RUNS):
        at = face(rng.normal(0, 0.2), tuple(rng.normal(0, 0.005, 2)), 0.2, 0.005)
        scene = job(measured_faces=(at,))
        one = measure_edge(edge(photos, rng, face=on), scene)
        middle = (np.array(one.made.start_mm) + one.made.end_mm) / 2
        off = across.T @ (middle - START)
        squares += off @ np.linalg.solve(across.T @ np.array(one.made.covariance_mm2) @ across, off)
        tilts.append(np.linalg.norm(np.cross(one.along, SIDE)) / one.made.tilt_sd_rad)
        both = with_width(measure_edge(edge(photos, rng, shift=14.0, face=on), scene), one).made
        assert both.width_mm is not None
        assert both.width_sd_mm is not None
        widths += ((both.width_mm - 14.0) / both.width_sd_mm) ** 2
    assert within_chi_square(squares, 2 * RUNS)
    assert 0.7 < np.sqrt(np.mean(np.square(tilts))) < 1.55
    # two edges of one face share its doubt, which the width's sd counts twice: never less than the scatter
    assert widths < RUNS + 1.96 * np.sqrt(2 * RUNS)
    if on is None:
        assert within_chi_square(widths, RUNS)


def test_a_slot_that_is_none_is_named() -> None:
    scene = job(measured_faces=(face(),))
    one = measure_edge(edge(("north", "top"), face="rail"), scene)
    points = np.array([CENTRE + 10 * AXES[:, 1], CENTRE + 20 * AXES[:, 1] + 30 * SIDE])
    slanted = EdgeTag(
        name="other",
        face="rail",
        lines=tuple(LinePicks(photo=p, points_px=seen(p, points, None, 0)) for p in ("north", "top")),
    )
    (finding,) = with_width(measure_edge(slanted, scene), one).findings
    assert finding.code == "tag-edges-not-parallel"
    assert finding.numbers["angle_deg"] == pytest.approx(np.rad2deg(np.arctan2(10, 30)), abs=1e-3)


def scene_with_face() -> Scene:
    return job(
        measured_faces=(face(), face().model_copy(update={"name": "edge on", "normal": (0.0, 0.5, -0.866)}))
    )


@pytest.mark.parametrize(
    ("tag", "message"),
    [
        (hole(("north",)), "hole eye: a rim in one photo needs the face|a rim in one photo needs the face.*hole eye"),
        (hole(("north",), face="lid"), "no measured face of that name.*there are: rail"),
        (HoleTag(name="eye", face="rail", rims=(RimPicks(photo="lost", points_px=((2000.0, 1500.0),)),)), "no measured station"),
        (hole(("north", "north"), face="rail"), "picked twice in one photo"),
        (HoleTag(name="eye", face="rail", rims=(RimPicks(photo="north", points_px=((2000.0, 1500.0), (2010.0, 1500.0))),)), "too few picks.*value 2.*3 or more"),
        (HoleTag(name="eye", face="rail", rims=(RimPicks(photo="north", points_px=((2000.0, 1500.0),) * 3),)), "lie on one line"),
        (HoleTag(name="eye", face="rail", rims=(RimPicks(photo="north", points_px=((2000.0, 1500.0), (2, 3), (9000.0, 1)),),)), "outside the photo"),
    ],
)  # fmt: skip
def test_bad_holes_are_refused(tag: HoleTag, message: str) -> None:
    with pytest.raises(InputError, match=message):
        measure_hole(tag, scene_with_face())


def test_bad_edges_are_refused() -> None:
    near = LinePicks(photo="north", points_px=((2000.0, 1500.0), (2001.0, 1500.0)))
    for tag, message in (
        (edge(("north",)), "an edge in one photo needs the face"),
        (edge(("north", "near north")), "one plane with the edge"),
        (EdgeTag(name="lip", face="rail", lines=(near,)), "too close together"),
    ):
        with pytest.raises(InputError, match=message):
            measure_edge(tag, scene_with_face())
    with pytest.raises(ValueError, match="above_mm needs the face"):
        HoleTag(name="eye", rims=(near_rim(),), above_mm=2)


def near_rim() -> RimPicks:
    return RimPicks(photo="north", points_px=((1.0, 2.0),))
