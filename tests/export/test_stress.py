"""The stress picture: colours mean what the scale says, the caution is on it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from tests.export.example_plates import bent_tab

from elbowroom.export import write_stress
from elbowroom.export.stress import _coloured, _words
from elbowroom.shared.errors import ExportError
from elbowroom.shared.loads import Strength, StrengthRow, StressField


def made() -> Strength:
    """A 60 x 40 tab with stress that rises evenly from 0 on its left edge to 1.2 times the yield on its right."""
    nodes = np.array([[0.0, 0], [60, 0], [60, 40], [0, 40]])
    stress = np.array([0.0, 300, 300, 0])
    row = StrengthRow(
        what="yield", where="the outline", demand=300, capacity=250, unit="MPa", factor=250 / 300, asked=1.67, source="hand"
    )  # fmt: skip
    return Strength(
        plate="tab", case="pull", rows=(row,), stress_mpa=300.0, stress_at_plate=(60.0, 20.0), stress_near="the outline",
        deflection_mm=0.1, deflection_at_plate=(60.0, 40.0), deflection_vector_mm=(0.1, 0.0, 0.0), triangles=2,
        converged=True, moved_share=0.001, yield_mpa=250.0, findings=(),
        field=StressField(
            nodes_plate=nodes, triangles=np.array([[0, 1, 2], [0, 2, 3]]), von_mises_mpa=stress,
            moved_mm=np.zeros((4, 3)), counted=np.ones(4),
        ),
    )  # fmt: skip


def test_colours_stand_where_the_stress_is(tmp_path: Path) -> None:
    write_stress(bent_tab(), made(), tmp_path / "tab.png")
    picture = np.asarray(Image.open(tmp_path / "tab.png").convert("RGB")).astype(float)
    zoom, border = 1400 / 60, 60
    for x in (5.0, 30.0, 45.0, 56.0):
        want = _coloured(np.array([x / 60 * 1.2]))[0]
        got = picture[round(border + 8 * zoom), round(border + x * zoom)]  # y = 32 mm, above the hole
        assert np.abs(got - want).max() <= 2
    middle_of_hole = picture[round(border + 20 * zoom), round(border + 15 * zoom)]
    assert (middle_of_hole == 255).all()


def test_over_yield_is_red_and_under_it_never() -> None:
    share = np.linspace(0, 1, 200)
    under, over = _coloured(share), _coloured(np.array([1.001, 9.0]))
    assert (over == [200, 20, 40]).all()
    assert not (under == [200, 20, 40]).all(axis=1).any()
    grey = under @ [0.3, 0.59, 0.11]
    assert (np.diff(grey) > -1).all()  # reads in grey too


def test_the_caution_is_on_it() -> None:
    words = " ".join(_words(bent_tab(), made()))
    assert "not an approval" in words
    assert "local codes and licensed practice decide" in words
    assert "HOLD (yield at the outline)" in words


def test_no_folder(tmp_path: Path) -> None:
    with pytest.raises(ExportError, match="could not be written"):
        write_stress(bent_tab(), made(), tmp_path / "none" / "tab.png")
