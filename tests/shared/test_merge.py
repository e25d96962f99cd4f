"""Merging: laws over random edit histories, and `git merge-file` (an outside three-way merge) for where conflicts are."""

from __future__ import annotations

import itertools
import random
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest
from tests.shared.edits import LISTS, NAMES, SINGLES, edited, entity, start, things
from tests.shared.test_fresh import check, intent, plate

from elbowroom.shared.errors import InputError
from elbowroom.shared.merge import Merged, merge_scenes, settled
from elbowroom.shared.scene import Accuracy, Obstacle, Photo, Scene
from elbowroom.shared.threeway import canonical

PAIRS = 1000
ZERO = ((0.0, 0.0, 0.0),) * 3


def pair(seed: int) -> tuple[Scene, Scene, Scene]:
    dice = random.Random(seed)
    base = start(dice)
    return base, edited(base, dice), edited(base, dice)


def clashes(base: Scene, one: Scene, other: Scene) -> set[tuple[str, str]]:
    """What both changed, each its own way: the definition, on plain dictionaries."""
    b, m, t = things(base), things(one), things(other)
    return {
        k
        for k in b.keys() | m.keys() | t.keys()
        if m.get(k) != b.get(k) and t.get(k) != b.get(k) and m.get(k) != t.get(k)
    }


def named(merged: Merged) -> set[tuple[str, str]]:
    return {(c.field, NAMES[int(c.name)] if c.field == "targets" else c.name) for c in merged.scene.conflicts}


def test_random_edit_histories() -> None:
    """No edit lost, conflicts exactly where both changed one thing, same result in either order."""
    seen = {"clean": 0, "clashing": 0}
    for seed in range(PAIRS):
        base, mine, theirs = pair(seed)
        merged, turned = merge_scenes(base, mine, theirs), merge_scenes(base, theirs, mine)
        both = clashes(base, mine, theirs)
        assert named(merged) == named(turned) == both, seed
        b, m, t, out = (things(s) for s in (base, mine, theirs, merged.scene))
        for k in b.keys() | m.keys() | t.keys():
            if k in both:
                assert out.get(k) == m.get(k), (seed, k)
                kept = next(c for c in merged.conflicts if k in named(Merged(_only(c), (), False)))
                assert kept.theirs == (None if t.get(k) is None else canonical(t[k])), (seed, k)
            else:
                changed = [s.get(k) for s in (m, t) if s.get(k) != b.get(k)]
                assert out.get(k) == (changed[0] if changed else b.get(k)), (seed, k)
        if not both:
            assert merged.scene == turned.scene, seed
        seen["clashing" if both else "clean"] += 1
    assert min(seen.values()) > 200, seen  # the test sees both


def _only(conflict: Any) -> Scene:
    return Scene(conflicts=(conflict,))


@pytest.mark.skipif(shutil.which("git") is None, reason="git is not there")
def test_conflicts_where_git_finds_them(tmp_path: Path) -> None:
    """One slot of text a thing, far enough apart: git's merge must find the same clashes and the same outcome."""
    keys = [*itertools.product(LISTS, NAMES), *((f, "") for f in SINGLES)]
    for seed in range(40):
        base, mine, theirs = pair(seed)
        for name, scene in (("mine", mine), ("base", base), ("theirs", theirs)):
            (tmp_path / name).write_text(_slots(scene, keys))
        run = ["git", "merge-file", "-p", "mine", "base", "theirs"]
        text = subprocess.run(run, cwd=tmp_path, capture_output=True, text=True).stdout
        merged = merge_scenes(base, mine, theirs)
        assert text.count("<<<<<<<") == len(merged.conflicts), seed
        if not merged.conflicts:
            assert text == _slots(merged.scene, keys), seed


def _slots(scene: Scene, keys: list[tuple[str, str]]) -> str:
    held = things(scene)
    return "".join(f"{k}\n{canonical(held.get(k))}\n" + f"-- {k}\n" * 6 for k in keys)


def test_nothing_changed_or_one_side_only() -> None:
    for seed in range(50):
        base, mine, _ = pair(seed)
        assert merge_scenes(base, mine, base).scene == mine
        assert things(merge_scenes(base, base, mine).scene) == things(mine)


def test_a_conflict_is_settled_either_way() -> None:
    dice = random.Random(1)
    base = Scene(tags=(entity("tags", "a", dice),))
    mine = base.model_copy(update={"tags": (base.tags[0].model_copy(update={"clearance_mm": 7.0}),)})
    theirs = base.model_copy(update={"tags": (), "default_side_mm": 30.0})
    merged = merge_scenes(base, mine, theirs).scene
    assert [c.message for c in merged.conflicts] == ["obstacle a: changed here, taken out in the other copy"]
    assert merged.default_side_mm == 30.0
    assert settled(merged, 1, theirs=False).tags == mine.tags
    taken = settled(merged, 1, theirs=True)
    assert (taken.tags, taken.conflicts) == ((), ())
    back = settled(merge_scenes(base, theirs, mine).scene, 1, theirs=True)
    assert back.tags == mine.tags
    with pytest.raises(InputError, match="no such conflict"):
        settled(taken, 1, theirs=True)


# ---- results: the rules of `fresh`, on both copies


def measured(**more: Any) -> Scene:
    accuracy = Accuracy(
        sigma0_px=1,
        rms_px=0.1,
        redundancy=9,
        observations=99,
        rejected=0,
        scale_source="target sides",
        scale_sd=0.001,
        typical_sd_mm=0.1,
    )
    scene = Scene(
        accuracy=accuracy,
        default_side_mm=40,
        intents=(intent("a"), intent("b")),
        plates=(plate("a"), plate("b")),
        checks=(check("a"), check("b")),
    )
    return scene.model_copy(update=more)


def thing(name: str, clearance_mm: float = 6) -> Obstacle:
    return Obstacle(
        name=name, kind="box", meshes=(), convex=True, clearance_mm=clearance_mm, covariance_mm2=ZERO
    )


def both_ways(base: Scene, mine: Scene, theirs: Scene) -> Merged:
    merged, turned = merge_scenes(base, mine, theirs), merge_scenes(base, theirs, mine)
    assert merged == turned
    return merged


def test_results_of_the_copy_that_has_them_stand() -> None:
    base = measured()
    theirs = measured(
        intents=(intent("a"), intent("b", 10)),
        plates=(plate("a"), plate("b").model_copy(update={"thickness_mm": 10})),
    )
    merged = both_ways(base, base, theirs)
    assert merged.scene.plates == theirs.plates
    assert [c.plate for c in merged.scene.checks] == ["a", "b"]
    assert not merged.conflicts


def test_a_plate_goes_whose_intent_and_scene_no_copy_had() -> None:
    base = measured()
    mine = measured(default_side_mm=41.0)
    theirs = measured(intents=(intent("a"), intent("b", 10)), plates=(plate("a"),), checks=(check("a"),))
    assert both_ways(base, base, theirs).scene.plates == (plate("a"),)
    void = both_ways(base, mine.model_copy(update={"accuracy": None}), theirs).scene
    assert void.accuracy is None
    assert (void.plates, void.checks) == ((), ())
    assert [f.code for f in void.findings] == ["measure-again"]


def test_new_obstacles_of_both_void_checks_and_ask_for_measuring() -> None:
    dice = random.Random(2)
    base = measured()
    mine = measured(tags=(entity("tags", "a", dice),), obstacles=(thing("a"),))
    theirs = measured(tags=(entity("tags", "b", dice),), obstacles=(thing("b"),))
    merged = both_ways(base, mine, theirs)
    assert merged.tags_void
    assert {t.name for t in merged.scene.tags} == {"a", "b"}
    assert merged.scene.checks == ()
    assert merged.scene.plates == base.plates
    assert {f.code for f in merged.scene.findings} == {"check-void"}
    one = both_ways(base, base, theirs)
    assert not one.tags_void
    assert one.scene.obstacles == theirs.obstacles


def test_a_small_copy_of_a_photo_never_takes_the_photo_s_place() -> None:
    full = Photo(name="p.jpg", media="0" * 64, width_px=4000, height_px=3000)
    small = full.model_copy(update={"shown": "1" * 64})
    base, sent = Scene(photos=(full,)), Scene(photos=(small,))
    theirs = sent.model_copy(update={"default_side_mm": 30.0})
    merged = merge_scenes(base, base, theirs, their_base=sent).scene
    assert merged.photos == (full,)
    assert merged.default_side_mm == 30.0
