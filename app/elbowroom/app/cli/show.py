"""How the command line shows things: progress, findings, tables; numbers in the job's unit."""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager

import numpy as np
from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn
from rich.table import Table
from rich.text import Text

from elbowroom.app.wording import accuracy_words, bare_length
from elbowroom.shared.errors import Finding
from elbowroom.shared.scene import (
    LENS_PARAMETERS,
    Accuracy,
    Check,
    Lens,
    MeasuredEdge,
    MeasuredFeature,
    MeasuredHole,
    MeasuredPoint,
    MeasuredPrint,
    Obstacle,
    Photo,
    Plate,
    Scene,
    Vec3,
)
from elbowroom.shared.tagfile import TagChanges
from elbowroom.shared.units import ShownUnit, show_length

UNUSED = {
    "photo-mirrored": "mirrored",
    "no-targets": "no target read",
    "not-joined": "joins no other",
    "zoom-changed": "another zoom, or cropped",
    "photo-cropped": "cropped",
    "photo-foreign": "of another job",
    "photo-poor": "fits no other",
}
"""Why a photo is not used, by the finding that says so."""

NAMES = 12
"""Names listed at most; a file may hold hundreds."""

MARKS = {"note": "note   ", "warning": "warning", "fault": "FAULT  "}


def console() -> Console:
    """Return a console on standard output as it is now."""
    return Console(file=sys.stdout, highlight=False, soft_wrap=not sys.stdout.isatty())


def complain(message: str) -> None:
    """Print an error on standard error."""
    Console(file=sys.stderr, highlight=False, soft_wrap=True).print(f"error: {message}", markup=False)


@contextmanager
def progress(what: str) -> Iterator[Callable[[float, str], None]]:
    """Show a bar while something runs; yields the function to tell it (share, what)."""
    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        TextColumn("{task.fields[now]}", markup=False),
        TimeElapsedColumn(),
    )
    with Progress(
        *columns, console=Console(file=sys.stderr), transient=True, disable=not sys.stderr.isatty()
    ) as bar:
        task = bar.add_task(what, total=1.0, now="")
        yield lambda share, now: bar.update(task, completed=share, now=now)


def show_findings(findings: Iterable[Finding]) -> None:
    """Print findings, faults first."""
    order = {"fault": 0, "warning": 1, "note": 2}
    counted = Counter((f.severity, f.message) for f in findings)
    for (severity, message), times in sorted(counted.items(), key=lambda item: order[item[0][0]]):
        again = f" ({times} times)" if times > 1 else ""
        console().print(f"{MARKS[severity]} {message}{again}", markup=False)


def show_accuracy(accuracy: Accuracy) -> None:
    """Print how good the network is, in plain words."""
    console().print(f"measured: {accuracy_words(accuracy)}", markup=False)


def show_changes(changes: TagChanges) -> None:
    """Print what a tag file added, replaced, and left as it was."""
    rows = (("added", changes.added), ("replaced", changes.replaced), ("unchanged", changes.unchanged))
    lines = [f"{how}: {'; '.join(_named(*k) for k in kinds.items())}" for how, kinds in rows if kinds]
    for line in lines or ["the file is empty: nothing added, nothing replaced"]:
        console().print(line, markup=False)


def _named(kind: str, names: Sequence[str]) -> str:
    """Return names after what they are; numbers in a row as first to last, and no more than a line holds."""
    if len(names) > 1:
        kind += "es" if kind.endswith("h") else "s"
    if len(names) > 2 and all(n.isdigit() for n in names):
        ids = sorted(int(n) for n in names)
        if ids[-1] - ids[0] == len(ids) - 1:
            return f"{kind} {ids[0]} to {ids[-1]}"
    more = f" and {len(names) - NAMES} more" if len(names) > NAMES else ""
    return f"{kind} {', '.join(names[:NAMES])}".rstrip() + more


def show_lenses(scene: Scene) -> None:
    """Print each measured lens: its parameters, the doubt of each (19 in 20), and a dash for terms not asked for."""
    for lens in (n for n in scene.lenses if n.covariance):
        photos = [p for p in scene.photos if p.lens == lens.name and p.camera_from_world is not None]
        known = next((k.source for k in scene.known_lenses if k.lens.name == lens.name), "")
        focused = [abs(p.refocus) for p in photos if p.refocus]
        title = f"lens {lens.name}, {len(photos)} photos" + (f", starting from {known}" if known else "")
        title += (
            f", each photo's focal length its own, by up to {100 * max(focused):.2f} %" if focused else ""
        )
        table = Table("", title=Text(title), title_justify="left", box=None)
        for name in LENS_PARAMETERS:
            table.add_column(name.removesuffix("_px"), justify="right", no_wrap=True)
        values, doubts = zip(*_parameters(lens), strict=True)
        table.add_row("", *values)
        table.add_row("+/-", *doubts)
        Console(file=sys.stdout, highlight=False, width=120).print(table)


def _parameters(lens: Lens) -> Iterator[tuple[str, str]]:
    """Yield each parameter's value and doubt as shown: pixels with a digit, distortion with five."""
    for i, name in enumerate(LENS_PARAMETERS):
        value, sd = getattr(lens, name), float(np.sqrt(lens.covariance[i][i]))
        digits = 1 if name.endswith("px") else 5
        yield ("-", "") if sd == 0 else (f"{value:.{digits}f}", f"{2 * sd:.{digits}f}")


def show_photos(scene: Scene) -> None:
    """Print what each photo is worth: targets read of those in view, edge width, exposure, residuals, used or why not."""
    from elbowroom.recon.exposure import photo_exposure

    if not any(p.targets_read for p in scene.photos):
        return
    table = Table(title="photos", title_justify="left", box=None)
    for name in ("photo", "read/in view", "edges px", "exposure", "rms px", ""):
        table.add_column(name, justify="right" if name in ("read/in view", "edges px", "rms px") else "left")
    for p in scene.photos:
        read = f"{len(p.targets_read)}/{len(p.targets_read) + len(p.targets_missed)}"
        blur = "" if p.blur_px is None else f"{p.blur_px:.1f}"
        rms = "" if p.rms_px is None else f"{p.rms_px:.3f}"
        table.add_row(Text(p.name), read, blur, photo_exposure(p), rms, _use_of(p, scene.findings))
    Console(file=sys.stdout, highlight=False, width=120).print(table)


def _use_of(photo: Photo, findings: Iterable[Finding]) -> str:
    """Return whether a photo is used, and why not."""
    if photo.camera_from_world is not None:
        return "used"
    mine = [f.code for f in findings if photo.name in f.subject.split(", ")]
    return "not used" + next((f": {UNUSED[c]}" for c in mine if c in UNUSED), "")


def show_coverage(scene: Scene) -> None:
    """Print how many photos look from where: bearings from the world's x axis round the targets' normal, and heights."""
    from elbowroom.recon.coverage import HEIGHTS_DEG, SECTORS, coverage_of

    found = coverage_of(scene)
    if found is None:
        return
    table = Table(
        title="photos by where they look from, bearing from x in degrees", title_justify="left", box=None
    )
    table.add_column("height")
    for sector in range(SECTORS):
        table.add_column(f"{360 * sector // SECTORS}", justify="right")
    tops = [90.0, *HEIGHTS_DEG]
    names = [f"{low:.0f} to {high:.0f}" for high, low in zip(tops, HEIGHTS_DEG, strict=False)] + ["below 0"]
    for name, row in zip(names, found.counts, strict=True):
        if name != "below 0" or row.any():
            table.add_row(name, *(str(n) if n else "." for n in row))
    Console(file=sys.stdout, highlight=False, width=120).print(table)


def show_prints(prints: Iterable[MeasuredPrint]) -> None:
    """Print how large each print batch came out, and how far its ink has spread."""
    for p in prints:
        console().print(
            f"prints {'of batch ' + p.batch if p.batch else 'without a batch'}, {p.targets} targets: "
            f"scale {p.scale:.4f} +/- {2 * p.scale_sd:.4f}, ink spread {p.ink_mm:+.3f} +/- {2 * p.ink_sd_mm:.3f} mm an edge",
            markup=False,
        )


def show_plate(plate: Plate, unit: ShownUnit) -> None:
    """Print a plate's size, area and openings."""
    from elbowroom.shared.hardware import material
    from elbowroom.shared.outline import Outline

    outer = Outline.of_loop(plate.outer)
    left, low, right, high = outer.bounds()
    area = outer.area() - sum(abs(Outline.of_loop(h.loop).area()) for h in plate.holes)
    mass = area * plate.thickness_mm * 1e-9 * material(plate.material).density_kg_m3
    console().print(
        f"plate {plate.name}: {show_length(right - left, unit)} x {show_length(high - low, unit)} x "
        f"{show_length(plate.thickness_mm, unit)}, {len(plate.outer.bulges)} lines and arcs, "
        f"{len(plate.holes)} openings, {mass:.2f} kg of {plate.material}",
        markup=False,
    )
    show_findings(plate.findings)


def show_obstacles(scene: Scene, sizes: Mapping[str, Sequence[float]]) -> None:
    """Print what was measured of each obstacle, to be held against a caliper."""
    if not sizes:
        return
    unit = scene.shown_in
    table = Table(
        title=f"obstacles in {unit}, sides of the smallest box round each", title_justify="left", box=None
    )
    for name in ("obstacle", "kind", "size", "widened", "loose", "sd", "clearance", "travel"):
        table.add_column(name, justify="left" if name in ("obstacle", "kind") else "right", no_wrap=True)
    for o in (o for o in scene.obstacles if o.name in sizes and o.part == "body"):
        worst = float(np.sqrt(max(np.linalg.eigvalsh(np.array(o.covariance_mm2))[-1], 0.0)))
        size = " x ".join(bare_length(s, unit) for s in sizes[o.name])
        end = {"none": "", "hinge": " deg", "slide": " mm"}[o.travel_kind]
        travel = f"{o.travel[0]:g} to {o.travel[1]:g}{end}" if end else ""
        loose = _loosest(o, unit)
        wide, *cells = [bare_length(v, unit) for v in (o.widened_mm, worst, o.clearance_mm)]
        table.add_row(o.name, o.kind, size, wide, loose, *cells, travel)
    Console(file=sys.stdout, highlight=False, width=120).print(table)


def _loosest(obstacle: Obstacle, unit: ShownUnit) -> str:
    """Return how far a volume may stand off its thing and the axes it does so towards, nothing for other obstacles."""
    if not obstacle.loose:
        return ""
    most = obstacle.loose[0]
    axes = "".join(
        f" {'+' if c > 0 else '-'}{n}" for c, n in zip(most.direction, "xyz", strict=True) if abs(c) > 0.3
    )
    return bare_length(most.mm, unit) + axes


def show_features(scene: Scene) -> None:
    """Print points, holes and edges as measured: place, size, and the sd of each (of a place in its worst direction)."""
    if not scene.measured_features:
        return
    unit = scene.shown_in
    table = Table(title=f"features measured, in {unit}", title_justify="left", box=None)
    for name in ("feature", "kind", "at", "sd", "size", "size sd", "photos"):
        table.add_column(name, justify="left" if name in ("feature", "kind") else "right", no_wrap=True)
    for f in scene.measured_features:
        at, size, size_sd = _place_and_size(f, unit)
        worst = float(np.sqrt(max(np.linalg.eigvalsh(np.array(f.covariance_mm2))[-1], 0.0)))
        table.add_row(f.name, f.kind, at, _fine(worst, unit), size, size_sd, str(f.photos))
    Console(file=sys.stdout, highlight=False, width=120).print(table)


def _place_and_size(feature: MeasuredFeature, unit: ShownUnit) -> tuple[str, str, str]:
    match feature:
        case MeasuredHole():
            size = f"diameter {_fine(2 * feature.radius_mm, unit)}"
            return _at(feature.centre_mm, unit), size, _fine(2 * feature.radius_sd_mm, unit)
        case MeasuredEdge():
            ends = f"{_at(feature.start_mm, unit)} to {_at(feature.end_mm, unit)}"
            if feature.width_mm is None or feature.width_sd_mm is None:
                return ends, "", ""
            return ends, f"width {_fine(feature.width_mm, unit)}", _fine(feature.width_sd_mm, unit)
        case MeasuredPoint():
            return _at(feature.point_mm, unit), "", ""


def _at(place: Vec3, unit: ShownUnit) -> str:
    return ", ".join(bare_length(v, unit) for v in place)


def _fine(mm: float, unit: ShownUnit) -> str:
    """Return a measured size or its doubt with a digit more: a hundredth of a millimetre of doubt is no zero."""
    return f"{mm:.3f}" if unit == "mm" else f"{mm / 25.4:.4f}"


def show_check(check: Check, unit: ShownUnit) -> None:
    """Print a plate's gap table, least margin first."""
    table = Table(title=f"gaps of {check.plate} in {unit}, tightest first", title_justify="left", box=None)
    for name in ("obstacle", "gap", "asked", "required", "sd", "worst at", "verdict"):
        table.add_column(name, justify="left" if name in ("obstacle", "verdict") else "right", no_wrap=True)
    for r in check.rows:
        thing = r.obstacle if r.part == "body" else f"{r.obstacle}, {r.part}"
        at = "" if r.worst_travel is None else f"{r.worst_travel:+.1f}"
        cells = [bare_length(v, unit) for v in (r.gap_mm, r.clearance_mm, r.required_mm, r.sd_mm)]
        table.add_row(thing, *cells, at, r.verdict)
    Console(file=sys.stdout, highlight=False, width=110).print(table)
    console().print(f"{check.plate}: {'PASS' if check.passes else 'HOLD'}", markup=False)
