"""The clearance table: common practice, so only its order and its reader can be checked."""

from __future__ import annotations

from typing import get_args

import pytest

from elbowroom.shared.clearance import class_clearance, class_clearances, read_clearances
from elbowroom.shared.errors import InputError
from elbowroom.shared.scene import ClearanceClass


def test_every_class_of_the_scene_has_a_clearance() -> None:
    assert set(class_clearances()) == set(get_args(ClearanceClass))
    assert (
        0
        < class_clearance("tool")
        < class_clearance("static")
        < class_clearance("moving")
        < class_clearance("hot")
    )


def test_unknown_classes_are_refused() -> None:
    with pytest.raises(InputError, match="wet: no such clearance class; limit there are: static, moving"):
        class_clearance("wet")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("class,mm\nstatic,6\n", "wrong columns"),
        ("class,mm,source\nstatic,six,x\n", "line 2: a clearance is a number"),
        ("class,mm,source\nstatic,-1,x\n", "line 2: a clearance is a number"),
        ("class,mm,source\nstatic,nan,x\n", "line 2: a clearance is a number"),
        ("class,mm,source\nstatic,6,x\nstatic,7,x\n", "line 3: a class comes once"),
        ("class,mm,source\nstatic,6,\n", "names its source"),
    ],
)
def test_broken_tables_are_refused(text: str, message: str) -> None:
    with pytest.raises(InputError, match=message):
        read_clearances(text, where="mine.csv")
