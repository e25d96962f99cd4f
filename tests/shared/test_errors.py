"""Errors say what, where, value, limit and what to do, and keep all of it when a caller places them."""

import pytest

from elbowroom.shared.errors import InputError, SolveError


def test_the_message_holds_every_part() -> None:
    error = InputError("too long", where="plate a", value=9, limit=8, todo="make it shorter")
    assert str(error) == "plate a: too long; value 9; limit 8; make it shorter"


def test_placing_changes_the_place_alone() -> None:
    error = SolveError("no way round", where="pad", value=2, limit=1, todo="move it", partial=[3])
    placed = error.placed("plate a, pad")
    assert str(placed) == "plate a, pad: no way round; value 2; limit 1; move it"
    assert placed.partial == [3]
    assert str(error).startswith("pad: "), "the first stays as it was"
    with pytest.raises(SolveError, match="plate a"):
        raise placed
