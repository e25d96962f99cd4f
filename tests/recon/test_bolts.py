"""Bolts: sizes of the standards, the cylinders that hold a hexagon, axis doubt in closed form."""

from __future__ import annotations

import numpy as np
import pytest
from tests.recon.true_job import job, pick, typed, winding

from elbowroom.recon.obstacles.bolts import measure_bolt
from elbowroom.shared.errors import InputError
from elbowroom.shared.scene import BoltTag, MeasuredFace, cov3

FACE = MeasuredFace(
    name="rail", point_mm=(0, 0, 0), normal=(0, 0, 1), covariance_mm2=cov3(0.01 * np.eye(3)), tilt_sd_rad=0.01, rms_mm=0, reach_mm=50
)  # fmt: skip
SCENE = job(measured_faces=(FACE,))


def test_an_m12_nut_on_a_washer() -> None:
    """ISO 4032 M12: flats 18, height up to 10.8; ISO 7089: 24 x 2.7 max (2.5 nominal). Corners 18 / cos 30 = 20.78."""
    tag = BoltTag(
        name="nut", thread="M12", seat=pick((5, 6, 0)), face="rail", nut=True, washer=True, stick_out_mm=4
    )
    bolt = measure_bolt(tag, SCENE)
    washer, nut, end = (
        np.array([v[:, 2].min(), v[:, 2].max(), np.abs(v[:, 0] - 5).max()]) for v, _ in bolt.meshes
    )
    assert washer[1] == pytest.approx(2.7, abs=0.21)
    assert washer[2] == pytest.approx(12, rel=0.003)
    assert nut[1] - nut[0] == pytest.approx(10.8, abs=1e-6)
    assert nut[2] == pytest.approx(20.785 / 2, rel=0.003)
    assert end[2] == pytest.approx(6, rel=0.003)
    assert end[1] - end[0] == pytest.approx(4)
    assert bolt.axis_world[1, 2] == pytest.approx(end[1])
    assert bolt.tool_mesh is None


def test_a_head_holds_its_hexagon_however_it_is_turned() -> None:
    """ISO 4014 M16: k 10, s 24."""
    bolt = measure_bolt(BoltTag(name="b", thread="M16", seat=typed(0, 0, 0), face="rail"), SCENE)
    (mesh,) = bolt.meshes
    angles = np.arange(0, 360, 5) * np.pi / 180
    radius = 24 / np.cos(np.pi / 6) / 2 * 0.9999
    corners = np.column_stack([radius * np.cos(angles), radius * np.sin(angles), np.full(len(angles), 9.99)])
    assert winding(corners, *mesh).min() > 0.99


def test_tilt_adds_to_the_doubt_with_height() -> None:
    """Closed form: 0.01 rad at the end of a 10 mm head is 0.1 mm sideways, nothing along."""
    bolt = measure_bolt(
        BoltTag(name="b", thread="M16", seat=typed(0, 0, 0), face="rail", tool="socket"), SCENE
    )
    assert bolt.covariance == pytest.approx(np.diag([0.01, 0.01, 0]), rel=1e-6)
    assert bolt.tool_mesh is not None
    length = bolt.tool_mesh[0][:, 2].max()
    assert bolt.tool_covariance == pytest.approx(np.diag([1, 1, 0]) * (0.01 * length) ** 2, rel=1e-6)


def test_the_axis_may_come_from_a_tip() -> None:
    bolt = measure_bolt(BoltTag(name="b", thread="M12", seat=pick((0, 0, 0)), tip=pick((0, 30, 0))), SCENE)
    along = bolt.axis_world[1] - bolt.axis_world[0]
    assert along / np.linalg.norm(along) == pytest.approx([0, 1, 0], abs=1e-6)
    assert np.linalg.norm(along) == pytest.approx(7.5)  # ISO 4014 M12: k 7.5


@pytest.mark.parametrize(
    ("tag", "message"),
    [
        (BoltTag(name="b", thread="M13", seat=typed(0, 0, 0), face="rail"), "no such thread"),
        (
            BoltTag(name="b", thread="M12", seat=typed(0, 0, 0), face="lid"),
            "no measured face of that name.*there are: rail",
        ),
        (
            BoltTag(name="b", thread="M12", seat=typed(0, 0, 0), tip=typed(0, 0, 1)),
            "too close for a direction",
        ),
    ],
)
def test_bad_bolts_are_refused(tag: BoltTag, message: str) -> None:
    with pytest.raises(InputError, match=message):
        measure_bolt(tag, SCENE)
