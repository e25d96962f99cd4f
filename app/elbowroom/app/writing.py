"""The last step of a job: its files."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from elbowroom.app.job import Job, Tell, quiet
from elbowroom.shared.errors import Finding, InputError
from elbowroom.shared.fresh import verdict_of
from elbowroom.shared.loads import Strength
from elbowroom.shared.media import Media
from elbowroom.shared.processes import process_rules
from elbowroom.shared.scene import Plate, PrintBatch, Scene
from elbowroom.shared.sending import picture_of

if TYPE_CHECKING:
    from elbowroom.export.cutting import CutPlate


def write_job(
    job: Job,
    folder: Path,
    *,
    overlays: bool = True,
    paper: Literal["A4", "Letter"] = "A4",
    batch: str | None = None,
    cutting: Cutting | None = None,
    tell: Tell = quiet,
) -> tuple[list[Path], list[Finding]]:
    """Write the job's files, and return their paths and what to know of them.

    Of each plate DXF in mm and in inches, and in mm with nothing but geometry for a cutting service, as R2010 and R12;
    SVG, STL, 3MF, STEP (with the extra) and a 1:1 paper template (drawn for the printer of the measured `batch`, if one is named); GLB of the
    scene; and every measured photo with all drawn in. `cutting` makes the DXF files ready for a way of cutting.
    """
    from elbowroom.export import write_glb

    scene, media = job.file.scene(), job.file.media()
    if not scene.plates:
        raise InputError("no plate to write", where=scene.name, todo="fit one first")
    printed = _measured_batch(scene, batch) if batch is not None else None
    folder.mkdir(parents=True, exist_ok=True)
    written: list[Path] = []
    findings: list[Finding] = []
    names = [_file_name(p.name) for p in scene.plates]
    for i, plate in enumerate(scene.plates):
        name = names[i] if names.count(names[i]) == 1 else f"{names[i]}_{i + 1}"
        verdict = verdict_of(scene, plate)
        files, found = _write_drawings(plate, scene.plates, folder / name, cutting, verdict)
        more, others = _write_plate(plate, folder / name, paper, printed, verdict)
        written += [*files, *more]
        findings += others
        findings += found
    written.append(folder / "scene.glb")
    write_glb(written[-1], scene.plates, scene.obstacles, media)
    if overlays:
        written += _write_overlays(scene, media, folder / "photos", tell)
    return written, findings


@dataclass(frozen=True)
class Cutting:
    """How the plates are cut, by the table of processes, and whether the drawing has the kerf in it."""

    process: str
    compensate_kerf: bool = False


def _write_drawings(
    plate: Plate, plates: Sequence[Plate], stem: Path, cutting: Cutting | None, verdict: str
) -> tuple[list[Path], list[Finding]]:
    """Write one plate's DXF files; return also what was changed for the way of cutting."""
    from elbowroom.export import write_dxf
    from elbowroom.export.cutting import prepare_cut

    cut: Plate | CutPlate = plate
    findings: tuple[Finding, ...] = ()
    if cutting is not None:
        rules = process_rules(cutting.process, plate.thickness_mm)
        made = prepare_cut(plate, rules, compensate_kerf=cutting.compensate_kerf)
        cut, findings = made, made.findings
    tails = ("_mm.dxf", "_inch.dxf", "_geometry_mm.dxf", "_geometry_mm_R12.dxf")
    mm, inch, bare, old = paths = [stem.with_name(f"{stem.name}{tail}") for tail in tails]
    verdicts = {plate.name: verdict}
    write_dxf([cut], mm, unit="mm", others=plates, verdicts=verdicts)
    write_dxf([cut], inch, unit="in", others=plates, verdicts=verdicts)
    write_dxf([cut], bare, others=plates, geometry_only=True)
    write_dxf([cut], old, others=plates, geometry_only=True, version="R12")
    return paths, [*_verdict_finding(plate, verdict), *findings]


def _write_plate(
    plate: Plate, stem: Path, paper: Literal["A4", "Letter"], batch: PrintBatch | None, verdict: str
) -> tuple[list[Path], list[Finding]]:
    """Write one plate's other files, their names beginning with `stem`."""
    from elbowroom.export import write_stl, write_svg, write_template
    from elbowroom.export.step import can_write_step, write_step
    from elbowroom.export.threemf import write_3mf

    tails = (".svg", ".stl", ".3mf", "_template.pdf")
    svg, stl, solid, template = paths = [stem.with_name(f"{stem.name}{tail}") for tail in tails]
    write_svg(plate, svg, verdict=verdict)
    write_stl(plate, stl)
    write_3mf([plate], solid)
    if can_write_step():
        paths.append(stem.with_name(f"{stem.name}.step"))
        write_step([plate], paths[-1])
    return paths, write_template(plate, template, paper=paper, batch=batch, verdict=verdict)


def _verdict_finding(plate: Plate, verdict: str) -> list[Finding]:
    if verdict == "PASS":
        return []
    message = f"plate {plate.name} is written, but its clearance check says: {verdict}. Do not cut it before it passes."
    return [Finding(code="written-unchecked", severity="fault", subject=plate.name, message=message)]


def _measured_batch(scene: Scene, name: str) -> PrintBatch:
    """Return a print batch whose bars are typed in; raises InputError when there is none of that name."""
    known = {b.name: b for b in scene.batches if b.measured}
    if name not in known:
        raise InputError(
            "no print batch of that name has its check bars typed in",
            where="batch",
            value=name,
            limit=f"there are: {', '.join(known) or 'none'}",
            todo="measure its bars and type them in",
        )
    return known[name]


def _write_overlays(scene: Scene, media: Media, folder: Path, tell: Tell) -> list[Path]:
    import os
    from concurrent.futures import ThreadPoolExecutor

    from elbowroom.export import draw_overlay
    from elbowroom.export.files import write_whole

    folder.mkdir(parents=True, exist_ok=True)
    held = set(media)
    shown = [p for p in scene.photos if p.camera_from_world is not None and held & {p.media, p.shown}]
    bytes_of = {o: media[o] for ob in scene.obstacles for o in ob.meshes}

    def draw(index: int) -> Path:
        photo = shown[index]
        path = folder / f"{Path(_file_name(photo.name)).stem}.png"
        picture = draw_overlay(
            picture_of(photo, media), photo, scene.lens_of(photo), scene.plates, scene.obstacles, bytes_of
        )
        write_whole(path, picture)
        return path

    out = []
    with ThreadPoolExecutor(max(1, os.cpu_count() or 1)) as pool:
        for path in pool.map(draw, range(len(shown))):
            out.append(path)
            tell(len(out) / len(shown), path.name)
    return out


def write_stresses(found: Sequence[tuple[Plate, Strength]], folder: Path) -> list[Path]:
    """Write a stress picture of each plate and load case into a folder; returns their paths."""
    from elbowroom.export import write_stress

    folder.mkdir(parents=True, exist_ok=True)
    written: list[Path] = []
    for plate, strength in found:
        stem = f"{_file_name(plate.name)}_{_file_name(strength.case)}_stress"
        taken = {p.stem for p in written}
        path = folder / f"{stem if stem not in taken else f'{stem}_{len(written) + 1}'}.png"
        write_stress(plate, strength, path)
        written.append(path)
    return written


def _file_name(name: str) -> str:
    """Return an entity's name as a file name every system takes."""
    return "".join(c if c.isalnum() or c in "-_." else "_" for c in name).strip(".") or "unnamed"
