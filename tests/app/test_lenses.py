"""A lens kept from an earlier job: taken over by name, used as a prior, refused when it is another phone's."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from tests.recon.drawn import LENS, spot
from tests.recon.sightings import readings_of, spot_scene

from elbowroom.app.cli import main
from elbowroom.recon.measure import measure_readings
from elbowroom.shared.scene import KnownLens, Lens, Scene
from elbowroom.shared.store import SceneFile


def measured(photos: int, **given: object) -> Scene:
    readings = readings_of([spot()] * photos)
    return measure_readings(spot_scene(readings, **given), readings, progress=lambda *_: None)[0]


def focal(scene: Scene) -> tuple[float, float]:
    (lens,) = scene.lenses
    return lens.focal_px, float(np.sqrt(lens.covariance[0][0]))


def test_a_kept_lens_tightens_what_four_photos_say_of_distortion() -> None:
    (earlier,) = measured(8).lenses
    (alone,) = measured(4).lenses
    (helped,) = measured(4, known_lenses=(KnownLens(lens=earlier, source="board"),)).lenses
    assert helped.covariance[3][3] < 0.5**2 * alone.covariance[3][3]
    assert helped.k1 == pytest.approx(LENS.k1, abs=3 * np.sqrt(helped.covariance[3][3]))
    assert focal(measured(4, known_lenses=(KnownLens(lens=earlier),)))[1] < np.sqrt(alone.covariance[0][0])


def test_a_kept_lens_that_is_off_is_a_start_not_a_law() -> None:
    (earlier,) = measured(8).lenses
    off = earlier.model_copy(update={"focal_px": earlier.focal_px * 1.003})  # focused elsewhere that day
    value, sd = focal(measured(8, known_lenses=(KnownLens(lens=off, source="board"),)))
    assert value == pytest.approx(LENS.focal_px, abs=4 * sd)


def stored(path: Path, scene: Scene) -> Path:
    SceneFile.create(path, scene, author="a").close()
    return path


def test_the_command_takes_the_lens_over(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = stored(tmp_path / "board.elbow", measured(8))
    job = stored(tmp_path / "job.elbow", spot_scene(readings_of([spot()] * 2)))
    assert main(["lens", str(job), str(before)]) == 0
    assert f"lens {LENS.name} taken over" in capsys.readouterr().out
    with SceneFile.open(job) as file:
        (known,) = file.scene().known_lenses
    assert (known.lens.name, known.source) == (LENS.name, "board.elbow")


def test_another_phones_lens_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    scene = measured(8)
    other = scene.model_copy(
        update={"lenses": tuple(n.model_copy(update={"name": "other"}) for n in scene.lenses)}
    )
    before = stored(tmp_path / "other.elbow", other)
    job = stored(tmp_path / "job.elbow", spot_scene(readings_of([spot()] * 2)))
    assert main(["lens", str(job), str(before)]) == 2
    message = capsys.readouterr().err
    assert "other.elbow" in message
    assert "value other" in message
    assert f"one of: {LENS.name}" in message


def test_a_covariance_that_is_not_square_is_refused() -> None:
    with pytest.raises(ValueError, match="8 x 8"):
        Lens(name="a", width_px=10, height_px=10, focal_px=9, cx_px=5, cy_px=5, covariance=((1.0,),))
