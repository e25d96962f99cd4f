"""Share of targets that are read, and ids read where there are none, with a second reader's opinion of the same pictures.

Drawn photos of 12 MP hold 35 targets each, 25 to 110 px along their shortest side as seen and up to 65 degrees off their
normal, on plain, textured, cluttered, chequered and written-on grounds, under falling light and shadows' edges, some
faintly printed, some overexposed. Then come pictures without any target; the demo's photos with theirs painted over;
and, when scikit-image is there, the pictures it carries. The second reader is pupil-apriltags (quad_decimate 1).

Usage: python benchmarks/detection.py [PHOTOS [EMPTY]]
"""

from __future__ import annotations

import json
import sys
from collections import Counter
from collections.abc import Iterator
from functools import lru_cache
from importlib import import_module
from importlib.util import find_spec
from itertools import product
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from backgrounds import GROUNDS, light
from corners import LENS, SIDE_MM, STATION, place
from synthetic import Floats, Layout, Look, corners_world, draw

from elbowroom.recon.detect import detect, read_grey
from elbowroom.shared.arrays import Image
from elbowroom.shared.frames import Rigid, Target, World
from elbowroom.shared.lens import project_points

DEMO = Path(__file__).parent.parent / "fixtures" / "demo"
READ_PERCENT, WRONG_PX = 99.0, 1.0
SHORTEST_PX, STEEPEST_DEG = (25.0, 110.0), 65.0
LOOKS = {
    "usual": Look(blur_px=0.8),
    "sharp": Look(blur_px=0.5, sharpen=0.7),
    "soft": Look(blur_px=1.5),
    "faint": Look(black=0.2, paper=0.6, noise=3.0),
    "overexposed": Look(),
    "noisy": Look(noise=6.0, jpeg=80),
}


def main(photos: int = 18, empty: int = 200) -> int:
    """Print the rates; return 1 when a figure is not reached."""
    second = _second_reader()
    shown, ours, theirs = Counter[str](), Counter[str](), Counter[str]()
    wrong = other_wrong = 0
    for number in range(photos):
        image, true, labels = photo(number)
        seen = {s.target: s.corners.corners_px for s in detect(image)[0]}
        other = second(image)
        wrong += sum(not _right(c, true.get(t)) for t, c in seen.items())
        other_wrong += sum(t not in true for t in other)
        for target, names in labels.items():
            shown.update(names)
            ours.update(names if target in seen else [])
            theirs.update(names if target in other else [])
    for name in sorted(shown):
        print(
            f"{name:28s} {shown[name]:5d} shown, read {100 * ours[name] / shown[name]:6.2f} %, "
            f"second reader {100 * theirs[name] / shown[name]:6.2f} %"
        )
    share = 100 * ours["all"] / shown["all"]
    print(
        f"targets read: {share:.2f} % (limit {READ_PERCENT:g}), wrong {wrong} (limit 0); second reader's strange ids {other_wrong}"
    )
    false, other_false, count = strangers(empty, second)
    print(f"ids read in {count} pictures without targets: {false} (limit 0); second reader {other_false}")
    return 0 if share >= READ_PERCENT and not wrong and not false else 1


def _right(corners: Floats, true: Floats | None) -> bool:
    return true is not None and bool(np.linalg.norm(corners - true, axis=1).max() <= WRONG_PX)


def photo(number: int) -> tuple[Image, dict[int, Floats], dict[int, list[str]]]:
    """Return a drawn photo, true corners (4, 2) px by id, and the classes each target belongs to."""
    rng = np.random.default_rng([99, number])
    kind, name = list(GROUNDS)[number % len(GROUNDS)], list(LOOKS)[number % len(LOOKS)]
    shape = (LENS.height_px, LENS.width_px)
    layout, sizes = spread(rng)
    glare = 1.5 if name == "overexposed" else 1.0
    data = draw(
        layout,
        LENS,
        STATION,
        rng,
        LOOKS[name],
        ground=GROUNDS[kind](shape, rng),
        light=glare * light(shape, rng) if number % 3 else glare,
    )
    true = {t: project_points(corners_world(layout, t), LENS) for t in layout.places}
    labels = {t: ["all", f"ground {kind}", f"look {name}", *sizes[t]] for t in layout.places}
    return read_grey(data, where=kind), true, labels


def spread(rng: np.random.Generator) -> tuple[Layout, dict[int, list[str]]]:
    """Return 35 targets of any size and lean, each in its own cell of the photo, and their classes of size and angle."""
    ids, places, names = rng.permutation(587), {}, {}
    for i, (column, row) in enumerate(product(range(7), range(5))):
        size, angle = np.exp(rng.uniform(*np.log(SHORTEST_PX))), rng.uniform(0, STEEPEST_DEG)
        pixel = (np.array([column, row]) + rng.uniform(0.42, 0.58, 2)) * [
            LENS.width_px / 7,
            LENS.height_px / 5,
        ]
        placed: Rigid[World, Target] = place(pixel, size, np.deg2rad(angle), rng)
        places[int(ids[i])] = placed
        small = next(f"shortest side under {s} px" for s in (30, 40, 60, 151) if size < s)
        names[int(ids[i])] = [small, f"angle {10 * int(angle // 10)} to {10 * int(angle // 10) + 10} deg"]
    return Layout(dict.fromkeys(places, SIDE_MM), places), names


def strangers(count: int, second: Any) -> tuple[int, int, int]:
    """Return ids read in pictures without targets, by our reader and the second, and the number of pictures."""
    ours = theirs = pictures = 0
    for image in bare(count):
        pictures += 1
        sightings, twice = detect(image)
        ours += len(sightings) + len(twice)
        theirs += len(second(image))
    return ours, theirs, pictures


def bare(count: int) -> Iterator[Image]:
    """Yield drawn pictures without targets, the demo's photos painted over, and pictures that scikit-image carries."""
    nothing = Layout({})
    lens = LENS.model_copy(update={"width_px": 2000, "height_px": 1500})
    for number in range(count):
        rng = np.random.default_rng([7, number])
        name = list(GROUNDS)[1 + number % (len(GROUNDS) - 1)]
        ground = GROUNDS[name]((1500, 2000), rng)
        look = list(LOOKS.values())[number % len(LOOKS)]
        yield read_grey(draw(nothing, lens, STATION, rng, look, ground=ground), where=name)
    truth = json.loads((DEMO / "truth.json").read_text())
    for row in truth["photos"]:
        path = DEMO / "photos" / row["name"]
        if path.exists():
            yield painted_over(read_grey(path.read_bytes(), where=path.name))
    yield from carried()


def painted_over(image: Image) -> Image:
    """Return a photo with the middle of every target that any reader finds in it replaced by one grey."""
    out = image.copy()
    found = [s.corners.corners_px for s in detect(image)[0]] + list(_second_reader()(image).values())
    for corners in found:
        middle = corners.mean(axis=0)
        cv2.fillPoly(out, [np.rint(middle + 1.3 * (corners - middle)).astype(np.int32)], 128)
    return out


def carried() -> Iterator[Image]:
    """Yield the pictures inside scikit-image, whole and enlarged, when it is installed."""
    spec = find_spec("skimage")
    if spec is None or spec.origin is None:
        return
    folder = Path(spec.origin).parent / "data"
    for path in sorted([*folder.glob("*.png"), *folder.glob("*.jpg")]):
        image = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
        if image is not None and min(image.shape) > 60:
            yield np.asarray(image, dtype=np.uint8)
            yield np.asarray(
                cv2.resize(image, None, fx=3, fy=3, interpolation=cv2.INTER_CUBIC), dtype=np.uint8
            )


@lru_cache(maxsize=1)  # its detectors spoil the heap when they are thrown away
def _second_reader() -> Any:
    """Return a function giving corners by id of targets as pupil-apriltags reads them; of none when it isn't there."""
    if find_spec("pupil_apriltags") is None:
        return lambda image: {}
    Detector = import_module("pupil_apriltags").Detector

    detector = Detector(families="tag36h11", nthreads=1, quad_decimate=1.0)

    def read(image: Image) -> dict[int, Floats]:
        found = detector.detect(np.ascontiguousarray(image))
        return {f.tag_id: np.asarray(f.corners)[::-1] - 0.5 for f in found if f.decision_margin > 20}

    return read


if __name__ == "__main__":
    sys.exit(main(*(int(a) for a in sys.argv[1:])))
