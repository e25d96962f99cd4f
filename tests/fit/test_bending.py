"""Bends against the handbook's worked examples."""

from __future__ import annotations

import math

import pytest

from elbowroom.fit.bending import (
    SOFT_STEEL_K,
    bend_allowance_mm,
    bend_deduction_mm,
    k_factor_of,
    setback_mm,
    soft_steel_allowance_mm,
)
from elbowroom.shared.errors import InputError

PRINTED = 0.0005 + 1e-9
"""Half of the last printed digit; the handbook's 0.7075 stands there as .707."""


@pytest.mark.parametrize(
    ("thickness", "radius", "angle", "printed"), [(0.125, 0.375, 180, 1.338), (0.125, 0.625, 60, 0.707)]
)
def test_soft_steel_rule(thickness: float, radius: float, angle: float, printed: float) -> None:
    """Machinery's Handbook 31 p. 1421, worked examples, inches (the rule is free of units)."""
    got = soft_steel_allowance_mm(angle, inside_radius_mm=radius, thickness_mm=thickness)
    assert got == pytest.approx(printed, abs=PRINTED)


def test_allowance_by_k() -> None:
    """T .125 R .125 K .44 at 90 degrees: .2827 (recomputed, closed form)."""
    got = bend_allowance_mm(90, inside_radius_mm=0.125, thickness_mm=0.125, k_factor=0.44)
    assert round(got, 4) == 0.2827
    assert k_factor_of(got, 90, inside_radius_mm=0.125, thickness_mm=0.125) == pytest.approx(0.44)


def test_both_rules_agree_on_soft_steel() -> None:
    """1.57 is pi / 2 to three digits, so the rule is K = 0.408 to 0.1 %."""
    by_k = bend_allowance_mm(75, inside_radius_mm=6, thickness_mm=4, k_factor=SOFT_STEEL_K)
    assert soft_steel_allowance_mm(75, inside_radius_mm=6, thickness_mm=4) == pytest.approx(by_k, rel=1e-3)


def test_flat_length_of_an_angle() -> None:
    """Both outside lengths less the deduction = both straight parts and the arc, closed form."""
    t, r, turn, k, one, other = 3.0, 5.0, 60.0, 0.4, 80.0, 45.0
    setback = setback_mm(turn, inside_radius_mm=r, thickness_mm=t)
    assert setback == pytest.approx(math.tan(math.radians(30)) * 8)
    allowance = bend_allowance_mm(turn, inside_radius_mm=r, thickness_mm=t, k_factor=k)
    straight = one - setback + other - setback
    assert one + other - bend_deduction_mm(allowance, setback) == pytest.approx(straight + allowance)


def test_bad_bends() -> None:
    with pytest.raises(InputError, match="thickness"):
        soft_steel_allowance_mm(90, inside_radius_mm=2, thickness_mm=0)
    with pytest.raises(InputError, match="radius"):
        soft_steel_allowance_mm(90, inside_radius_mm=-1, thickness_mm=2)
    with pytest.raises(InputError, match="angle"):
        soft_steel_allowance_mm(190, inside_radius_mm=1, thickness_mm=2)
    with pytest.raises(InputError, match="K-factor"):
        bend_allowance_mm(90, inside_radius_mm=1, thickness_mm=2, k_factor=0.7)
    with pytest.raises(InputError, match="don't meet"):
        setback_mm(180, inside_radius_mm=1, thickness_mm=2)
