"""Motions: exact axes, and the doubt a hinge's tilt gives, in closed form."""

from __future__ import annotations

import numpy as np
import pytest
from tests.recon.true_job import job, pick, typed

from elbowroom.recon.obstacles.motions import measure_motion
from elbowroom.recon.picks.rays import solve_point
from elbowroom.shared.errors import InputError
from elbowroom.shared.scene import Hinge, Motion, Slide


def test_a_hinge_keeps_degrees() -> None:
    hinge = Hinge(axis=(pick((10, 0, -30)), pick((10, 0, 40))), from_deg=-12, to_deg=30)
    motion = measure_motion(hinge, job(), 1.0)
    assert motion.kind == "hinge"
    assert motion.point_world == pytest.approx([10, 0, -30], abs=1e-6)
    assert motion.direction_world == pytest.approx([0, 0, 1], abs=1e-8)
    assert motion.travel == (-12, 30)
    # tilt variance = the ends' covariances added, worst way, over the length squared; 30 degrees move by 2 sin 15 deg
    ends = [solve_point(p, job(), 1.0).covariance for p in hinge.axis]
    tilt = np.linalg.eigvalsh(ends[0] + ends[1])[-1] / 70**2
    assert motion.per_reach == pytest.approx(tilt * (2 * np.sin(np.deg2rad(15))) ** 2)
    assert np.linalg.eigvalsh(motion.covariance).min() > 0


def test_a_slide_keeps_millimetres_and_grows_with_travel() -> None:
    short, long = (
        measure_motion(
            Slide(direction=(pick((0, 0, 0)), pick((0, 60, 0))), from_mm=-t, to_mm=t / 2), job(), 1.0
        )
        for t in (10.0, 30.0)
    )
    assert short.direction_world == pytest.approx([0, 1, 0], abs=1e-8)
    assert short.travel == (-10, 5)
    assert long.covariance == pytest.approx(9 * short.covariance)


def test_typed_axes_add_no_doubt() -> None:
    motion = measure_motion(Hinge(axis=(typed(0, 0, 0), typed(0, 0, 50)), from_deg=0, to_deg=90), job(), 1.0)
    assert motion.per_reach == 0
    assert not motion.covariance.any()


@pytest.mark.parametrize(
    ("motion", "message"),
    [
        (
            Hinge(axis=(typed(0, 0, 0), typed(0, 0, 1)), from_deg=0, to_deg=9),
            "hinge axis: the two points are too close",
        ),
        (
            Hinge(axis=(typed(0, 0, 0), typed(0, 0, 50)), from_deg=9, to_deg=0),
            "runs backwards.*9.0 to 0.0 deg",
        ),
        (Hinge(axis=(typed(0, 0, 0), typed(0, 0, 50)), from_deg=0, to_deg=400), "once at most"),
        (Slide(direction=(typed(0, 0, 0), typed(0, 0, 50)), from_mm=5, to_mm=-5), "runs backwards.*mm"),
    ],
)
def test_bad_motions_are_refused(motion: Motion, message: str) -> None:
    with pytest.raises(InputError, match=message):
        measure_motion(motion, job(), 1.0)
