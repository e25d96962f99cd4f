"""The real page in a browser, from dropped photos to a drawing, against the same job done on the command line."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path

import ezdxf
import numpy as np
import pytest
from playwright.sync_api import FilePayload, Page, expect
from tests.app.running_page import RunningPage, browser, running_page

from elbowroom.shared.scene import PhotoOutline, Scene, VolumeTag
from elbowroom.shared.store import SceneFile

DEMO = Path(__file__).resolve().parents[2] / "fixtures" / "demo"
STEP_MS = 300_000
"""No step of the demo takes this long on any machine; nothing is asserted of it."""

expect.set_options(timeout=20_000)  # a machine that runs other tests as well

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def window(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[RunningPage, Page, Path, list[str]]]:
    """An empty job open in a browser: the server, the window, the job's file, and all addresses asked for."""
    folder = tmp_path_factory.mktemp("page")
    path = folder / "ram mount.elbow"
    SceneFile.create(path, Scene(name="steering-ram mount"), author="me").close()
    with browser() as driven, running_page(path, folder=folder) as page:
        shown = driven.new_page(viewport={"width": 1440, "height": 900})
        asked: list[str] = []
        shown.on("request", lambda r: asked.append(r.url))
        shown.on("websocket", lambda s: asked.append(s.url))
        problems: list[str] = []
        shown.on("pageerror", lambda e: problems.append(str(e)))
        shown.goto(page.url)
        yield page, shown, path, asked
        assert problems == []


def stamped(shown: Page, stamps: dict[int, str]) -> None:
    for op, stamp in stamps.items():
        expect(shown.locator(f'[data-op="{op}"] .stamp')).to_have_text(stamp)


def go(shown: Page, op: int) -> None:
    shown.locator(f'[data-op="{op}"]').click()
    expect(shown.locator(f'[data-op="{op}"]')).to_have_attribute("aria-current", "step")


def send(shown: Page, kind: str, files: Sequence[Path] | Sequence[FilePayload]) -> None:
    shown.locator(f'input[data-kind="{kind}"]').set_input_files(files)


def said(shown: Page, words: str) -> None:
    expect(shown.locator(".status .said")).to_contain_text(words, timeout=STEP_MS)


def scene_of(path: Path) -> Scene:
    with SceneFile.open(path) as file:
        return file.scene()


def command_line(*arguments: str) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "elbowroom.app", *arguments],
        env={"PYTHONPATH": ":".join(p for p in sys.path if p), "PATH": "/usr/bin:/bin"},
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stderr + done.stdout


def test_the_demo_from_photos_to_drawing(
    window: tuple[RunningPage, Page, Path, list[str]], tmp_path: Path
) -> None:
    page, shown, path, asked = window
    stamped(shown, dict.fromkeys((10, 20, 30, 40, 50, 60), "open"))

    # what is no photo is refused in words, and the page goes on
    send(shown, "photo", [FilePayload(name="a.jpg", mimeType="image/jpeg", buffer=b"<!doctype html>")])
    said(shown, "called a photo, but it is none inside")

    photos = sorted((DEMO / "photos").iterdir())
    send(shown, "photo", photos)
    said(shown, "14 photos in the job")
    assert [p.name for p in scene_of(path).photos] == [p.name for p in photos]
    stamped(shown, {10: "hold", 20: "open"})

    # tags first, then measuring, as on the command line below
    go(shown, 30)
    send(shown, "tags", [DEMO / "tags.yaml"])
    said(shown, "tags taken in")
    go(shown, 10)
    shown.get_by_role("button", name="Measure", exact=True).click()
    said(shown, "measured")
    expect(shown.locator(".accuracy")).to_contain_text("Target centres are known to +/- 0.")
    scene = scene_of(path)
    first = scene.photos[0]
    assert shown.locator(".photo g.target").count() == len(first.targets_read) > 3
    assert shown.locator(".ring circle.dot").count() == 14
    stamped(shown, {10: "pass", 20: "pass", 30: "pass", 40: "hold"})

    go(shown, 40)
    shown.get_by_role("button", name="Fit", exact=True).click()
    said(shown, "fitted")
    expect(shown.get_by_role("button", name="Fit again", exact=True)).to_be_focused()
    expect(shown.locator(".flat g#cut path").first).to_be_visible()
    expect(shown.locator(".solid[data-painted]")).to_be_attached(timeout=60_000)

    go(shown, 50)
    shown.get_by_role("button", name="Check", exact=True).click()
    said(shown, "checked")
    rows = scene_of(path).checks[0].rows
    assert shown.locator("table.gaps tbody tr").count() == len(rows)
    assert shown.locator("table.gaps tbody th").first.inner_text() == rows[0].obstacle  # tightest first
    shown.locator("table.gaps tbody button").first.click()
    expect(shown.locator("table.gaps tr.here")).to_have_count(1)
    stamped(shown, {50: "pass" if scene_of(path).checks[0].passes else "hold"})

    go(shown, 60)
    shown.get_by_role("button", name="Write the files", exact=True).click()
    said(shown, "files written")
    stamped(shown, {60: "pass"})
    with shown.expect_download() as coming:
        shown.get_by_role("link", name="ram_plate_mm.dxf", exact=True).click()
    coming.value.save_as(tmp_path / "page.dxf")

    job = tmp_path / "same.elbow"
    command_line("new", str(job), "--name", "steering-ram mount")
    for step in (["add", str(job), str(DEMO / "photos")], ["tags", str(job), str(DEMO / "tags.yaml")]):
        command_line(*step)
    for step in (["measure", str(job)], ["fit", str(job)], ["check", str(job)]):
        command_line(*step)
    command_line("write", str(job), str(tmp_path / "out"), "--no-overlays")
    same_drawing(tmp_path / "page.dxf", tmp_path / "out" / "ram_plate_mm.dxf")

    local = f"127.0.0.1:{page.port}/"
    foreign = [u for u in asked if local not in u and not u.startswith(("data:", "blob:"))]
    assert foreign == []
    assert page.alive()


def same_drawing(one: Path, other: Path) -> None:
    """Hold two drawings against one another, entity by entity, as ezdxf reads them: the same to a nanometre."""
    first, second = (list(ezdxf.readfile(p).modelspace()) for p in (one, other))
    assert [e.dxftype() for e in first] == [e.dxftype() for e in second]
    lines = [(a, b) for a, b in zip(first, second, strict=True) if a.dxftype() == "LWPOLYLINE"]
    assert lines
    for a, b in lines:
        np.testing.assert_allclose(np.array(a.get_points()), np.array(b.get_points()), atol=1e-6)
    circles = [(a, b) for a, b in zip(first, second, strict=True) if a.dxftype() == "CIRCLE"]
    for a, b in circles:
        assert a.dxf.radius == pytest.approx(b.dxf.radius, abs=1e-6)
        np.testing.assert_allclose(np.array(a.dxf.center), np.array(b.dxf.center), atol=1e-6)


def test_undo_and_redo_step_through_what_was_saved(
    window: tuple[RunningPage, Page, Path, list[str]],
) -> None:
    _, shown, path, _ = window
    with SceneFile.open(path) as file:
        head = file.head()
        before = file.history()[-1].parent
    shown.get_by_role("button", name="Undo", exact=True).click()
    said(shown, "undo: now at")
    with SceneFile.open(path) as file:
        assert file.head() == before
    stamped(shown, {50: "hold"})
    shown.get_by_role("button", name="Redo", exact=True).click()
    said(shown, "redo: now at")
    with SceneFile.open(path) as file:
        assert file.head() == head


def test_lengths_turn_to_inches(window: tuple[RunningPage, Page, Path, list[str]]) -> None:
    _, shown, path, _ = window
    go(shown, 50)
    row = scene_of(path).checks[0].rows[0]
    cell = shown.locator("table.gaps tbody tr").first.locator("td.number").first
    expect(cell).to_have_text(f"{row.gap_mm:.2f}")
    shown.get_by_role("button", name="Lengths in mm", exact=True).click()
    expect(cell).to_have_text(f"{row.gap_mm / 25.4:.3f}")  # 25.4 mm an inch, exactly (1959 agreement)
    shown.get_by_role("button", name="Lengths in inches", exact=True).click()
    expect(cell).to_have_text(f"{row.gap_mm:.2f}")


def test_an_edit_from_elsewhere_shows_without_loading_again(
    window: tuple[RunningPage, Page, Path, list[str]],
) -> None:
    _, shown, path, _ = window
    with SceneFile.open(path) as file:
        file.save(file.scene().model_copy(update={"name": "renamed"}), {}, author="you", reason="renamed it")
    expect(shown.locator("h1")).to_have_text("renamed", timeout=20_000)


def test_a_thing_outlined_in_two_photos_is_measured_and_drawn_in_the_others(
    window: tuple[RunningPage, Page, Path, list[str]],
) -> None:
    """The clicks go round a thing of the demo's tags: where they were must lie in the job, to a screen pixel."""
    _, shown, path, _ = window
    go(shown, 30)
    before = scene_of(path)
    tag = next(t for t in before.tags if isinstance(t, VolumeTag) and t.name == "steering box")
    outlines = [around(o) for o in (tag.outlines[0], tag.outlines[2])]
    for outline in outlines:
        shown.locator(".thumb", has_text=outline.photo).click()
        expect(shown.locator(".thumb", has_text=outline.photo)).to_have_attribute("aria-pressed", "true")
        shown.locator(".photo image").wait_for()
        for n, (x, y) in enumerate(clicks(shown, outline.points_px)):
            shown.mouse.click(x, y)
            if n == 1:  # somebody else's edit comes in between: nothing of the outline is lost
                with SceneFile.open(path) as file:
                    file.save(
                        file.scene().model_copy(update={"name": f"at {outline.photo}"}),
                        {},
                        author="you",
                        reason="renamed it",
                    )
                expect(shown.locator("h1")).to_have_text(f"at {outline.photo}")
            expect(shown.locator(".photo g.pen circle")).to_have_count(n + 1)
        shown.get_by_role("button", name="close outline", exact=True).click()
        expect(shown.locator(".photo .draft polygon")).to_have_count(1)
    shown.get_by_label("name of the thing").fill("outlined by hand")
    shown.get_by_label("it is").select_option("hot")
    shown.get_by_role("button", name="Keep it", exact=True).click()
    said(shown, "outlined by hand is measured")
    after = scene_of(path)
    made = after.tags[-1]
    assert isinstance(made, VolumeTag)
    assert (made.name, made.clearance_class) == ("outlined by hand", "hot")
    screen_px = shown.evaluate("1 / document.querySelector('.photo svg').getScreenCTM().a")
    for mine, theirs in zip(made.outlines, outlines, strict=True):
        assert mine.photo == theirs.photo
        np.testing.assert_allclose(mine.points_px, theirs.points_px, atol=1.5 * screen_px)
    assert "outlined by hand" in [o.name for o in after.obstacles]
    stamped(shown, {30: "pass", 50: "hold"})  # what the plate was checked against has changed
    shown.get_by_role("button", name="delete outlined by hand", exact=True).click()
    said(shown, "outlined by hand is deleted")
    assert scene_of(path).obstacles == before.obstacles


def around(outline: PhotoOutline) -> PhotoOutline:
    """Return the rectangle round an outline: four clicks well apart."""
    (left, top), (right, low) = np.min(outline.points_px, axis=0), np.max(outline.points_px, axis=0)
    corners = ((left, top), (right, top), (right, low), (left, low))
    return PhotoOutline(photo=outline.photo, points_px=tuple((float(x), float(y)) for x, y in corners))


def clicks(shown: Page, points_px: tuple[tuple[float, float], ...]) -> list[tuple[float, float]]:
    """Return where photo pixels are on the screen, as the browser itself maps its drawing."""
    script = """points => { const m = document.querySelector('.photo svg').getScreenCTM();
      return points.map(([x, y]) => { const p = new DOMPoint(x + 0.5, y + 0.5).matrixTransform(m); return [p.x, p.y]; }); }"""
    shown.locator(".photo").scroll_into_view_if_needed()
    return [(float(x), float(y)) for x, y in shown.evaluate(script, [list(p) for p in points_px])]


def test_a_typed_distance_asks_for_measuring_again(
    window: tuple[RunningPage, Page, Path, list[str]],
) -> None:
    _, shown, path, _ = window
    go(shown, 20)
    shown.get_by_label("from target").fill("5")
    shown.get_by_label("to target").fill("5")
    shown.get_by_role("button", name="Type it in", exact=True).click()
    said(shown, "two different targets")
    shown.get_by_label("to target").fill("7")
    shown.get_by_label("length").fill("1-1/2 in")
    shown.get_by_role("button", name="Type it in", exact=True).click()
    said(shown, "typed in")
    (distance,) = scene_of(path).distances
    assert (distance.from_target, distance.to_target) == (5, 7)
    assert distance.mm == pytest.approx(38.1)  # 1.5 inches of 25.4 mm, exactly (1959 agreement)
    assert distance.sd_mm == pytest.approx(0.1)  # +/- 0.2 mm is two standard deviations
    stamped(shown, {10: "hold"})
    shown.get_by_role("button", name="Undo", exact=True).click()
    stamped(shown, {10: "pass"})


@pytest.mark.parametrize("op", [10, 20, 30, 40, 50, 60])
def test_nothing_sticks_out_at_390_pixels(window: tuple[RunningPage, Page, Path, list[str]], op: int) -> None:
    page, shown, _, _ = window
    shown.set_viewport_size({"width": 390, "height": 844})
    shown.goto(f"{page.url}/?op={op}")
    expect(shown.locator(f'[data-op="{op}"]')).to_have_attribute("aria-current", "step")
    assert shown.evaluate("document.documentElement.scrollWidth") <= 390


def test_without_a_job_the_page_asks_for_one(
    window: tuple[RunningPage, Page, Path, list[str]], tmp_path: Path
) -> None:
    opened = window[1].context.browser
    assert opened is not None
    with running_page(None, folder=tmp_path) as page:
        shown = opened.new_page()
        shown.goto(page.url)
        shown.get_by_label("Name of a new job").fill("../up")
        shown.get_by_role("button", name="Make it").click()
        expect(shown.get_by_role("alert")).to_contain_text("not a plain file name")
        shown.get_by_label("Name of a new job").fill("tie plate")
        shown.get_by_role("button", name="Make it").click()
        expect(shown.locator("h1")).to_have_text("tie plate", timeout=60_000)
        assert [p.name for p in tmp_path.glob("*.elbow")] == ["tie plate.elbow"]
