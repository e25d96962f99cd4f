"""How two copies of one scene file hang together: what they share, and where they parted."""

from __future__ import annotations

from collections.abc import Iterable

from elbowroom.shared.store import Revision


def ancestors(history: Iterable[Revision], revision: int) -> dict[str, int]:
    """Return the uids of a revision and of all it was made from, merged copies too, each with its number."""
    rows = {r.id: r for r in history}
    found: dict[str, int] = {}
    waiting = [revision]
    while waiting:
        row = rows.get(waiting.pop())
        if row is not None and row.uid not in found:
            found[row.uid] = row.id
            waiting += [n for n in (row.parent, row.merged) if n is not None]
    return found


def common_revision(
    mine: list[Revision], my_head: int, theirs: list[Revision], their_head: int
) -> tuple[int, int] | None:
    """Return the numbers, in my copy and in theirs, of the revision both were last changed from; None for strangers.

    Where several will do (copies merged across each other), the one that was made last.
    """
    here, there = ancestors(mine, my_head), ancestors(theirs, their_head)
    shared = here.keys() & there.keys()
    older: set[str] = set()
    for history, found in ((mine, here), (theirs, there)):
        for uid in shared:
            older |= ancestors(history, found[uid]).keys() - {uid}
    times = {r.uid: (r.time, r.uid) for r in mine}
    last = max(shared - older, key=times.__getitem__, default=None)
    return None if last is None else (here[last], there[last])
