"""Measure the demo photos and hold the result against the truth they were drawn from.

Prints the target centres' distances against truth, the scale, the adjustment's own figures, and the CPU time of
measuring against that of decoding the same photos. Exit code 1 when a figure is beyond its limit.
"""

from __future__ import annotations

import json
import os
import sys
import time
from itertools import combinations
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from elbowroom.recon import import_photo, measure
from elbowroom.recon.reading.detect import read_grey
from elbowroom.shared import Scene
from elbowroom.shared.scene import CardTarget, ScaleCard, TargetSpec

DEMO = Path(__file__).parent.parent / "fixtures" / "demo"
RMS_LIMIT_MM, SCALE_LIMIT_PERCENT, TIME_LIMIT = 0.05, 0.02, 3.0
PITCH_MM = (150.0, 100.0)  # of the demo's scale card, targets 100 to 103

Floats = npt.NDArray[np.float64]


def main() -> int:
    """Print the figures; return 1 when one is beyond its limit."""
    cv2.setNumThreads(1)
    truth = json.loads((DEMO / "truth.json").read_text())
    scene, media = demo_scene(truth)
    measure(scene, media)  # imports and caches warm
    seconds, ratio = best_of(scene, media)
    as_baseline, baseline_ratio = best_of(scene, baseline(scene, media))
    out, _ = measure(scene, media)
    errors, scale = distance_errors(out, truth)
    rms = float(np.sqrt((errors**2).mean()))
    accuracy = out.accuracy
    assert accuracy is not None
    print(f"photos {len(out.photos)}, joined {sum(p.camera_from_world is not None for p in out.photos)}")
    print(
        f"targets measured {len(out.measured)} of {len(truth['targets'])}, sightings rejected {accuracy.rejected}"
    )
    print(
        f"distances {len(errors)}: rms {rms:.4f} mm (limit {RMS_LIMIT_MM}), worst {np.abs(errors).max():.4f} mm"
    )
    print(
        f"scale error {100 * (scale - 1):+.4f} % (limit {SCALE_LIMIT_PERCENT}), predicted sd {100 * accuracy.scale_sd:.4f} %"
    )
    print(
        f"sigma0 {accuracy.sigma0_px:.3f}, residuals rms {accuracy.rms_px:.4f} px, typical target sd {accuracy.typical_sd_mm:.4f} mm"
    )
    print(f"measuring {seconds:.2f} s CPU, {ratio:.2f} times decoding the same JPEGs (limit {TIME_LIMIT})")
    print(
        f"...of baseline copies, which decode faster: {as_baseline:.2f} s CPU, {baseline_ratio:.2f} times decoding"
    )
    for finding in out.findings:
        print(f"{finding.severity}: {finding.message}")
    within = rms <= RMS_LIMIT_MM and 100 * abs(scale - 1) <= SCALE_LIMIT_PERCENT and ratio <= TIME_LIMIT
    return 0 if within else 1


def demo_scene(truth: dict[str, Any]) -> tuple[Scene, dict[str, bytes]]:
    """Return the scene of the demo photos and what was printed, and the photos' bytes."""
    media, photos, lenses = {}, [], {}
    for row in truth["photos"]:
        path = DEMO / "photos" / row["name"]
        if not path.exists():
            continue
        photo, lens, data, _ = import_photo(path.name, path.read_bytes())
        media[photo.media], lenses[lens.name] = data, lens
        photos.append(photo)
    on_card = [t for t in truth["targets"] if 100 <= t["id"] <= 103]
    card = ScaleCard(
        name="card",
        side_mm=on_card[0]["side_mm"],
        thickness_mm=1.0,
        targets=tuple(
            CardTarget(
                id=t["id"],
                x_mm=PITCH_MM[0] * ((t["id"] - 100) % 2),
                y_mm=PITCH_MM[1] * ((t["id"] - 100) // 2),
            )
            for t in on_card
        ),
    )
    loose = tuple(TargetSpec(id=t["id"], side_mm=t["side_mm"]) for t in truth["targets"] if t not in on_card)
    scene = Scene(
        name="demo", photos=tuple(photos), lenses=tuple(lenses.values()), cards=(card,), targets=loose
    )
    return scene, media


def best_of(scene: Scene, media: dict[str, bytes], runs: int = 3) -> tuple[float, float]:
    """Return the least CPU seconds of measuring in some runs, and their ratio to the least of decoding."""
    took = [cpu_seconds(scene, media) for _ in range(runs)]
    measured = min(m for _, m in took)
    return measured, measured / min(d for d, _ in took)


def baseline(scene: Scene, media: dict[str, bytes]) -> dict[str, bytes]:
    """Return the photos as baseline JPEG, as phones write them: progressive ones take five times as long to decode."""
    colour = cv2.IMREAD_COLOR | cv2.IMREAD_IGNORE_ORIENTATION
    out = {}
    for photo in scene.photos:
        image = cv2.imdecode(np.frombuffer(media[photo.media], np.uint8), colour)
        out[photo.media] = bytes(cv2.imencode(".jpg", image, [cv2.IMWRITE_JPEG_QUALITY, 92])[1])
    return out


def cpu_seconds(scene: Scene, media: dict[str, bytes]) -> tuple[float, float]:
    """Return the CPU seconds of decoding the photos (grey) and of measuring them."""
    start = time.process_time()
    for photo in scene.photos:
        read_grey(media[photo.media], where=photo.name)
    decoded = time.process_time()
    measure(scene, media)
    return decoded - start, time.process_time() - decoded


def distance_errors(scene: Scene, truth: dict[str, Any]) -> tuple[Floats, float]:
    """Return measured less true distance (mm) of every two target centres, and the scale of all together."""
    places = {t["id"]: np.array(t["world_from_target"])[:3, 3] for t in truth["targets"]}
    pairs = [
        (np.subtract(a.world_from_target.shift_mm, b.world_from_target.shift_mm), places[a.id] - places[b.id])
        for a, b in combinations([m for m in scene.measured if m.id in places], 2)
    ]
    measured, true = (np.linalg.norm(np.array(v), axis=1) for v in zip(*pairs, strict=True))
    return measured - true, float(measured @ true / (true @ true))


if __name__ == "__main__":
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    sys.exit(main())
