"""The desk: one step at a time, told and stopped, its errors said; what is shown stays readable meanwhile."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from elbowroom.app.job import Cancelled, Job, Tell, show_lengths_in
from elbowroom.app.page.desk import Desk, Said, desk_in
from elbowroom.app.page.intake import MOST_FILES, Batch
from elbowroom.app.page.shop import MOST_BATCHES, Shop
from elbowroom.shared.errors import InputError
from elbowroom.shared.scene import Scene
from elbowroom.shared.store import SceneFile


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    SceneFile.create(tmp_path / "a.elbow", Scene(name="spot"), author="me").close()
    made = Desk(tmp_path / "a.elbow", "me")
    yield made
    made.close()


def test_a_step_is_stopped_and_another_refused_while_it_runs(desk: Desk) -> None:
    begun = threading.Event()

    def slow(job: Job, tell: Tell, cancelled: Cancelled) -> str:
        tell(0.5, "half")
        begun.set()
        while not cancelled():
            begun.wait(0.01)
        raise InputError("stopped", where="measuring")

    async def both() -> None:
        running = asyncio.create_task(desk.run("measuring", slow, can_stop=True))
        await asyncio.to_thread(begun.wait, 30)
        assert desk.step is not None
        assert (desk.step.what, desk.step.share, desk.step.now) == ("measuring", 0.5, "half")
        assert desk.scene().name == "spot"  # readable meanwhile
        assert await desk.run("fitting", lambda *_: "never") is None
        assert desk.said == Said("refused", "measuring is under way: wait, or stop it")
        desk.stop()
        await running

    asyncio.run(both())
    assert desk.step is None
    assert desk.said == Said("refused", "measuring: stopped")


def test_an_edit_is_a_revision_that_other_readers_see(desk: Desk) -> None:
    head, turn = desk.head(), desk.turn
    asyncio.run(desk.run("unit", lambda job, tell, cancelled: show_lengths_in(job, "in")))
    assert desk.head() != head
    assert desk.turn > turn
    assert desk.scene().shown_in == "in"
    with SceneFile.open(desk.path) as other:
        assert other.scene().shown_in == "in"


def test_jobs_are_made_in_the_folder_only(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="not a plain file name"):
        desk_in(tmp_path, "../a", "me")
    made = desk_in(tmp_path, "a", "me")
    made.close()
    again = desk_in(tmp_path, "a.elbow", "me")
    again.close()
    assert [p.name for p in tmp_path.iterdir()] == ["a.elbow"]


def test_files_on_their_way_in_are_bounded_and_named_by_us(desk: Desk, tmp_path: Path) -> None:
    batch = Batch(tmp_path)
    for n in range(MOST_FILES):
        batch.add(f"{n}.jpg", b"x")
    assert not {p.name for p in batch.paths} & set(batch.names)
    with pytest.raises(InputError, match="too many files"):
        batch.add("one more.jpg", b"x")
    batch.drop()
    assert batch.paths == []
    shop = Shop(folder=tmp_path, author="me", desk=desk)
    tokens = [shop.new_batch() for _ in range(MOST_BATCHES + 1)]
    assert len(set(tokens)) == len(tokens)
    with pytest.raises(InputError, match="no open page"):
        shop.batch(tokens[0])
    assert shop.batch(tokens[-1]).paths == []
