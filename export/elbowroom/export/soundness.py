"""Whether a plate's outlines can be cut at all."""

from __future__ import annotations

from elbowroom.shared.errors import InputError
from elbowroom.shared.outline import Outline
from elbowroom.shared.scene import Plate
from elbowroom.shared.tolerances import COINCIDENT_MM


def check_openings(plate: Plate) -> None:
    """Check that a plate's outlines don't cross themselves and that its openings lie inside it, apart.

    Raises
    ------
    InputError
        Otherwise, naming plate and opening.
    """
    outer = Outline.of_loop(plate.outer).simplified().check_simple()
    holes = {h.name: Outline.of_loop(h.loop).simplified().check_simple() for h in plate.holes}
    names = list(holes)
    for n, name in enumerate(names):
        where = f"plate {plate.name}, opening {name}"
        if not outer.contains(holes[name].vertices).all() or outer.distance_to(holes[name]) <= COINCIDENT_MM:
            raise InputError(
                "the opening does not lie inside the plate", where=where, todo="move or shrink it"
            )
        for other in names[n + 1 :]:
            if holes[name].distance_to(holes[other]) <= COINCIDENT_MM:
                raise InputError(
                    f"it meets opening {other}", where=where, todo="move them apart or join them"
                )
