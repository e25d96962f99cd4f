"""Tubes: edges of a known cylinder (tangent rays in closed form), and pieces that hold the round tube."""

from __future__ import annotations

import numpy as np
import pytest
from tests.recon.true_job import STATIONS, is_closed, job, pick, pixels, typed, volume_of, winding

from elbowroom.recon.obstacles.tubes import measure_tube
from elbowroom.recon.solids import SIDES, ball_round, box_between, prism_round
from elbowroom.shared.errors import InputError
from elbowroom.shared.scene import EdgeLines, TubeTag, Vec2

START, END, RADIUS = np.array([-70.0, -30.0, 10.0]), np.array([80.0, 40.0, 45.0]), 12.5


def edges(photo: str, rng: np.random.Generator | None = None, radius: float = RADIUS) -> EdgeLines:
    """The bar's two edges in a photo: the rays that touch it at its ends."""
    along = (END - START) / np.linalg.norm(END - START)
    centre = STATIONS[photo].inverse().shift
    rows: list[Vec2] = []
    for side in (1, -1):
        for at in (START, END):
            to = centre - at - along * ((centre - at) @ along)
            lean = radius / np.linalg.norm(to)
            touch = lean * to / np.linalg.norm(to) + side * np.sqrt(1 - lean**2) * np.cross(
                along, to / np.linalg.norm(to)
            )
            px = pixels(photo, at + radius * touch)[0] + (0 if rng is None else rng.normal(0, 1.0, 2))
            rows.append((float(px[0]), float(px[1])))
    return EdgeLines(
        photo=photo, one_px=(rows[0], rows[1]), other_px=(rows[3], rows[2])
    )  # the other drawn backwards


def straight(photos: tuple[str, ...], rng: np.random.Generator | None = None, **more: object) -> TubeTag:
    return TubeTag(name="rod", edges=tuple(edges(p, rng) for p in photos)).model_copy(update=more)


@pytest.mark.parametrize("photos", [("north", "top"), ("north", "east", "top", "west")])
def test_exact_edges_give_axis_radius_and_ends(photos: tuple[str, ...]) -> None:
    tube = measure_tube(straight(photos), job())
    ends = tube.axis_world if np.linalg.norm(tube.axis_world[0] - START) < 20 else tube.axis_world[::-1]
    assert tube.radius_mm == pytest.approx(RADIUS, abs=1e-6)
    assert ends == pytest.approx(np.array([START, END]), abs=1e-5)
    assert tube.findings == ()


def test_doubt_is_the_spread_of_noisy_edges() -> None:
    rng, scene, squares, radii = np.random.default_rng(3), job(), [], []
    along = (END - START) / np.linalg.norm(END - START)
    for _ in range(150):
        tube = measure_tube(straight(("north", "east", "top"), rng), scene)
        ends = tube.axis_world if tube.axis_world[0] @ along < 0 else tube.axis_world[::-1]
        off = (ends[0] - START) - along * ((ends[0] - START) @ along)
        across = np.eye(3) - np.outer(along, along)
        squares.append(off @ np.linalg.pinv(across @ tube.covariance @ across, rcond=1e-9) @ off)
        radii.append(tube.radius_mm - RADIUS)
    # two degrees across the axis: mean 2 if the doubt were the axis' alone; the radius' share in it lowers that
    assert 0.8 < np.mean(squares) < 2.4
    assert abs(np.mean(radii)) < 4 * np.std(radii) / np.sqrt(150)
    # beside a typed diameter the doubt has the radius' variance on top, both ways across; a sample sd is good to 6 %
    fitted, fixed = (
        measure_tube(straight(("north", "east", "top"), diameter_mm=d), scene) for d in (None, 2 * RADIUS)
    )
    added = np.sqrt(np.trace(fitted.covariance - fixed.covariance) / 2)
    assert added == pytest.approx(np.std(radii), rel=0.25)


def test_a_typed_diameter_is_kept() -> None:
    tube = measure_tube(straight(("north", "east", "top"), np.random.default_rng(4), diameter_mm=25.0), job())
    assert tube.radius_mm == 12.5


def test_a_wrong_edge_is_named() -> None:
    wrong = edges("west", radius=RADIUS + 6)
    tag = straight(("north", "east", "top"))
    tube = measure_tube(tag.model_copy(update={"edges": (*tag.edges, wrong)}), job())
    (finding,) = tube.findings
    assert finding.code == "tag-edge-off"
    assert "west" in finding.message


def test_bad_edges_are_refused() -> None:
    both_one = edges("top").model_copy(
        update={"other_px": tuple((x + 2, y + 2) for x, y in edges("top").one_px)}
    )
    tag = straight(("north", "east"))
    for given, message in (
        ((edges("north"),), "two photos or more"),
        ((edges("north"), edges("north")), "two photos or more, once in each"),
        (
            (edges("north"), edges("east").model_copy(update={"photo": "lost"})),
            "photo lost: this photo has no measured",
        ),
        ((*tag.edges, both_one), "photo top: both edges lie on one side"),
    ):
        with pytest.raises(InputError, match=message):
            measure_tube(tag.model_copy(update={"edges": given}), job())


def test_pieces_along_an_arc_hold_the_bent_tube() -> None:
    """A quarter of a torus, r 80, picked every 15 degrees: points of its skin lie in the pieces."""
    angle = np.deg2rad(np.arange(0, 91, 15))
    picks = [pick((80 * np.cos(a), 80 * np.sin(a), 20.0)) for a in angle]
    tube = measure_tube(TubeTag(name="hose", axis=tuple(picks), diameter_mm=20), job())
    u, v = np.meshgrid(np.linspace(0.001, np.pi / 2 - 0.001, 60), np.linspace(0, 2 * np.pi, 24))
    ring = 80 + 10 * np.cos(v)
    skin = np.stack([ring * np.cos(u), ring * np.sin(u), 20 + 10 * np.sin(v)], -1).reshape(-1, 3)
    held = np.max([winding(skin, *m) for m in tube.meshes], axis=0)
    assert held.min() > 0.5
    # the sagitta of a 15 degree chord at r 80: 80 (1 - cos 7.5 deg) = 0.68
    assert tube.widened_mm == pytest.approx(80 * (1 - np.cos(np.deg2rad(7.5))), rel=0.02)


def test_a_sharp_bend_is_noted_and_a_straight_axis_is_not_grown() -> None:
    bent = TubeTag(name="pipe", axis=(typed(0, 0, 0), typed(50, 0, 0), typed(50, 50, 0)), diameter_mm=10)
    (finding,) = measure_tube(bent, job()).findings
    assert finding.numbers["turn_deg"] == pytest.approx(90)
    plain = TubeTag(name="pipe", axis=(typed(0, 0, 0), typed(50, 0, 0)), diameter_mm=10)
    assert measure_tube(plain, job()).widened_mm == 0
    with pytest.raises(InputError, match="axis point 2"):
        measure_tube(plain.model_copy(update={"axis": (typed(1, 2, 3), typed(1, 2, 3))}), job())


def test_solids_are_closed_and_hold_their_round_bodies() -> None:
    """Volumes in closed form: prism n r² tan(pi/n) h; ball above 4/3 pi r³ by a few per cent."""
    vertices, faces = prism_round(START, END, RADIUS)
    length = np.linalg.norm(END - START)
    assert is_closed(faces)
    assert volume_of(vertices, faces) == pytest.approx(SIDES * RADIUS**2 * np.tan(np.pi / SIDES) * length)
    vertices, faces = ball_round(START, RADIUS)
    assert is_closed(faces)
    assert 1.0 < volume_of(vertices, faces) / (4 / 3 * np.pi * RADIUS**3) < 1.05
    rng = np.random.default_rng(0)
    on = rng.normal(size=(500, 3))
    on *= 0.9999 * RADIUS / np.linalg.norm(on, axis=1, keepdims=True)
    assert winding(START + on, vertices, faces).min() > 0.99
    for edges_world in (np.diag([2.0, 3, 4]), np.diag([2.0, 3, -4])):
        vertices, faces = box_between(np.zeros(3), edges_world)
        assert is_closed(faces)
        assert volume_of(vertices, faces) == pytest.approx(24)
