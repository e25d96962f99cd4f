"""What two people changed differently in their copies of a job, kept until somebody settles it."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from elbowroom.shared.entity import Entity

Json = Annotated[str, Field(max_length=8_000_000)]


class Conflict(Entity):
    """One thing that both copies changed, each its own way: the scene holds mine, and theirs is kept here.

    `field` is the scene's field, `name` the entity's name (or id) in it, empty where the field holds one thing only.
    `mine` and `theirs` are JSON; none where that copy took the thing out.
    """

    field: Annotated[str, Field(max_length=80)]
    name: Annotated[str, Field(max_length=80)] = ""
    message: str
    mine: Json | None = None
    theirs: Json | None = None
