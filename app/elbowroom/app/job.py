"""The steps of a job on a scene file: each reads the scene, makes one call into a room, and saves a revision."""

from __future__ import annotations

from collections import ChainMap
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import count
from pathlib import Path
from typing import Any, Literal

import numpy as np

from elbowroom.shared.errors import Finding, InputError
from elbowroom.shared.fresh import verdict_of, without_stale
from elbowroom.shared.hardware import bolt_sizes, clearance_hole_mm, material
from elbowroom.shared.media import Media, digest, read_mesh
from elbowroom.shared.scene import (
    BoltTag,
    Check,
    FacePlane,
    MeshTag,
    Obstacle,
    Plate,
    PlateIntent,
    PrintBatch,
    Scene,
)
from elbowroom.shared.store import SceneFile
from elbowroom.shared.tagfile import merge_tags, read_tag_file

Tell = Callable[[float, str], None]
Cancelled = Callable[[], bool]

PHOTO_SUFFIXES = {".jpg", ".jpeg", ".png", ".heic", ".heif"}


def _quiet(share: float, what: str) -> None:
    """Tell nobody."""


@dataclass(frozen=True)
class Job:
    """A scene file with the name that goes into its revisions."""

    file: SceneFile
    author: str

    def save(self, scene: Scene, media: dict[str, bytes], reason: str) -> Scene:
        """Store a revision; returns the scene for the next step."""
        self.file.save(scene, media, author=self.author, reason=reason)
        return scene


def photo_paths(places: Iterable[Path]) -> list[Path]:
    """Return the photo files among paths and folders, in order of name; raises InputError when there is none."""
    out: list[Path] = []
    for place in places:
        if place.is_dir():
            out += sorted(p for p in place.iterdir() if p.suffix.lower() in PHOTO_SUFFIXES)
        elif place.is_file():
            out.append(place)
        else:
            raise InputError("no such photo or folder", where=str(place), todo="check the name")
    if not out:
        raise InputError(
            "no photos there", where=", ".join(map(str, places)), limit=", ".join(sorted(PHOTO_SUFFIXES))
        )
    return out


def add_photos(job: Job, paths: Sequence[Path], *, tell: Tell = _quiet) -> list[Finding]:
    """Take photos into the job: all that read are kept, the others come back as findings.

    Raises
    ------
    InputError
        When none of them can be read.
    """
    from elbowroom.recon import import_photo

    scene, findings = job.file.scene(), []
    photos, lenses = list(scene.photos), {n.name: n for n in scene.lenses}
    media: dict[str, bytes] = {}
    refused: list[InputError] = []
    for i, path in enumerate(paths):
        tell(i / len(paths), path.name)
        try:
            photo, lens, data, found = import_photo(path.name, _bytes_of(path))
        except InputError as error:
            refused.append(error)
            findings.append(
                Finding(code="photo-refused", severity="fault", subject=path.name, message=str(error))
            )
            continue
        if any(p.media == photo.media for p in photos):
            findings.append(
                Finding(
                    code="photo-known",
                    severity="note",
                    subject=path.name,
                    message=f"{path.name} is in the job already",
                )
            )
            continue
        if any(p.name == photo.name for p in photos):
            photo = photo.model_copy(update={"name": _free_name(photo.name, {p.name for p in photos})})
            findings.append(
                Finding(
                    code="photo-renamed",
                    severity="warning",
                    subject=photo.name,
                    message=f"{path}: another photo of that name is in the job; this one is called {photo.name} there",
                )
            )
        photos.append(photo)
        lenses.setdefault(lens.name, lens)
        media[photo.media] = data
        findings += found
    if refused and not media and len(refused) == len(paths):
        raise refused[0]
    job.save(
        scene.model_copy(update={"photos": tuple(photos), "lenses": tuple(lenses.values())}),
        media,
        f"added {len(media)} photos",
    )
    return findings


def _free_name(name: str, taken: set[str]) -> str:
    """Return a photo's name with a number before its suffix that makes it the only one of that name."""
    path = Path(name)
    return next(n for k in count(2) if (n := f"{path.stem} ({k}){path.suffix}") not in taken)


def _bytes_of(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise InputError(
            f"the file can't be read ({error.strerror})", where=str(path), todo="check its name and place"
        ) from error


def take_tags(job: Job, path: Path) -> Scene:
    """Merge a tag file into the job and, when the job is measured, measure its tags; all or nothing."""
    tags = read_tag_file(path)
    made: dict[str, bytes] = {}
    kept = []
    for tag in tags.tags:
        if isinstance(tag, MeshTag) and tag.file is not None and tag.media is None:
            data = _bytes_of(path.parent / tag.file)
            made[digest(data)] = data
            tag = tag.model_copy(update={"media": digest(data), "file": Path(tag.file).name})
        kept.append(tag)
    before = job.file.scene()
    scene = without_stale(before, merge_tags(before, tags.model_copy(update={"tags": tuple(kept)})))
    _check_photos(scene)
    _check_named(scene)
    if scene.accuracy is not None:
        scene, more = _with_tags(scene, ChainMap(made, dict(_small_media(job, scene))), _quiet)
        made |= more
        scene = without_stale(before, scene)
    return job.save(scene, made, f"tags from {path.name}")


def _small_media(job: Job, scene: Scene) -> Media:
    """Return the media that tags need (mesh files, the network); photos are left where they are."""
    media = job.file.media()
    wanted = {t.media for t in scene.tags if isinstance(t, MeshTag)} | {scene.network}
    return {d: media[d] for d in media if d in wanted}


def _check_photos(scene: Scene) -> None:
    """Raise InputError when a tag names a photo that is not in the job."""
    names = {p.name for p in scene.photos}
    for entity in (*scene.tags, *scene.faces, *scene.intents, *([scene.datum] if scene.datum else [])):
        for photo in sorted(_photos_named(entity.model_dump())):
            if names and photo not in names:
                raise InputError(
                    "names a photo that isn't in the job",
                    where=f"{getattr(entity, 'kind', '')} {getattr(entity, 'name', 'datum')}".strip(),
                    value=photo,
                    limit=f"there are: {', '.join(sorted(names))}"[:300],
                    todo="add the photo, or mend its name",
                )


def _check_named(scene: Scene) -> None:
    """Raise InputError when a tag or intent names a thread, face, bolt or bar that isn't there."""
    faces, things = {f.name for f in scene.faces}, {t.name for t in scene.tags}
    for tag in scene.tags:
        if isinstance(tag, BoltTag):
            _in_plate(f"bolt {tag.name}", bolt_sizes, tag.thread)
            _check_known(tag.face, faces, f"bolt {tag.name}", "face")
    for intent in scene.intents:
        where = f"plate {intent.name}"
        _in_plate(where, material, intent.material)
        if isinstance(intent.plane, FacePlane):
            _check_known(intent.plane.face, faces, where, "face")
        for hole in intent.holes:
            _check_known(hole.bolt, things, f"{where}, hole {hole.name}", "bolt")
            if hole.thread is not None:
                _in_plate(f"{where}, hole {hole.name}", clearance_hole_mm, hole.thread)
        for weld in intent.weld_edges:
            _check_known(weld.face, faces, f"{where}, weld edge {weld.name}", "face")
        for slot in intent.slots:
            _check_known(slot.over, things, f"{where}, slot {slot.name}", "obstacle")


def _check_known(name: str | None, known: set[str], where: str, what: str) -> None:
    if name is not None and name not in known:
        raise InputError(
            f"names a {what} that isn't tagged",
            where=where,
            value=name,
            limit=f"there are: {', '.join(sorted(known)) or 'none'}",
            todo="tag it, or mend its name",
        )


def _in_plate(where: str, look_up: Callable[[str], object], name: str) -> None:
    """Look a name up in the tables; the error says whose it is."""
    try:
        look_up(name)
    except InputError as e:
        raise InputError(e.what, where=where, value=e.value, limit=e.limit, todo=e.todo) from e


def _photos_named(value: object) -> set[str]:
    if isinstance(value, dict):
        own = {value["photo"]} if isinstance(value.get("photo"), str) else set()
        return own.union(*(_photos_named(v) for v in value.values()))
    if isinstance(value, list | tuple):
        return set().union(*(_photos_named(v) for v in value))
    return set()


def type_bar(job: Job, batch: str, x_mm: float, y_mm: float) -> Scene:
    """Type in a print batch's measured check bars; the job wants measuring again after it."""
    for axis, value in (("x", x_mm), ("y", y_mm)):
        if not 80 <= value <= 120:
            raise InputError(
                f"the {axis} check bar can't have that length",
                where=f"batch {batch}",
                value=f"{value} mm",
                limit="80 to 120 mm",
                todo="measure the 100 mm bar again, end mark to end mark",
            )
    scene = job.file.scene()
    batches = [
        *(b.name for b in scene.batches),
        *(c.batch for c in scene.cards),
        *(t.batch for t in scene.targets),
    ]
    known = {b for b in batches if b is not None}
    _check_known(batch, known or {batch}, "check bars", "print batch")
    rest = tuple(b for b in scene.batches if b.name != batch)
    made = PrintBatch(name=batch, bar_x_mm=x_mm, bar_y_mm=y_mm, measured=True)
    after = without_stale(scene, scene.model_copy(update={"batches": (*rest, made)}))
    return job.save(after, {}, f"check bars of {batch}")


def measure_job(job: Job, *, tell: Tell = _quiet, cancelled: Cancelled | None = None) -> Scene:
    """Measure the job's photos, then its tags."""
    from elbowroom.recon import measure

    scene, made = measure(job.file.scene(), job.file.media(), progress=tell, cancelled=cancelled)
    job.save(scene, made, "measured")
    if scene.tags or scene.faces:
        scene, more = _with_tags(scene, job.file.media(), tell)
        job.save(scene, more, "obstacles measured")
    return scene


def _with_tags(scene: Scene, media: Media, tell: Tell) -> tuple[Scene, dict[str, bytes]]:
    from elbowroom.recon import NetworkDoubt, measure_tags

    doubt = NetworkDoubt.of_bytes(media[scene.network]) if scene.network else None
    return measure_tags(
        scene, media, network=doubt, progress=lambda done, of, name: tell(done / max(of, 1), name)
    )


def obstacle_size(obstacle: Obstacle, media: Media) -> list[float]:
    """Return the sides (mm, longest first) of the smallest box round an obstacle at rest, as measured."""
    import trimesh

    corners = np.concatenate([read_mesh(media[d])[0] for d in obstacle.meshes])
    return sorted((float(s) for s in trimesh.bounds.oriented_bounds(corners)[1]), reverse=True)


def chosen_intents(scene: Scene, name: str | None) -> list[PlateIntent]:
    """Return the plate intents asked for; raises InputError when there is none, or none of that name."""
    chosen = [i for i in scene.intents if name in (None, i.name)]
    if not chosen:
        known = ", ".join(i.name for i in scene.intents) or "none"
        raise InputError(
            "no plate intent" + (" of that name" if name else ""),
            where=name or scene.name,
            limit=f"there are: {known}",
            todo="add one with a tag file (intents)",
        )
    return chosen


def fit_job(job: Job, name: str | None = None, *, tell: Tell = _quiet) -> list[Plate]:
    """Fit the plates asked for and store them; their old checks are dropped."""
    from elbowroom.recon import NetworkDoubt

    scene, media, plates = job.file.scene(), job.file.media(), []
    if scene.accuracy is None:
        raise InputError("the job is not measured yet", where=scene.name, todo="measure it first")
    doubt = NetworkDoubt.of_bytes(media[scene.network]) if scene.network else None
    for intent in chosen_intents(scene, name):
        plates.append(_fitted(intent, scene, media, doubt, tell))
    names = {p.name for p in plates}
    rest = tuple(p for p in scene.plates if p.name not in names)
    checks = tuple(c for c in scene.checks if c.plate not in names)
    job.save(
        scene.model_copy(update={"plates": (*rest, *plates), "checks": checks}),
        {},
        "fitted " + ", ".join(names),
    )
    return plates


def _fitted(intent: PlateIntent, scene: Scene, media: Media, doubt: Any, tell: Tell) -> Plate:
    """Fit one plate; the message of what is wrong with the intent begins with its name."""
    from elbowroom.fit import fit_plate
    from elbowroom.recon import resolve_intent

    try:
        return fit_plate(resolve_intent(intent, scene, doubt), scene, media, progress=tell)
    except InputError as e:
        where = e.where if intent.name in e.where else f"plate {intent.name}, {e.where}".rstrip(", ")
        raise InputError(e.what, where=where, value=e.value, limit=e.limit, todo=e.todo) from e


def check_job(job: Job, name: str | None = None, *, tell: Tell = _quiet) -> list[Check]:
    """Check the plates in 3D and store the gap tables."""
    from elbowroom.fit import check_plate

    scene, media = job.file.scene(), job.file.media()
    plates = [p for p in scene.plates if name in (None, p.name)]
    if not plates:
        raise InputError("no plate to check", where=name or scene.name, todo="fit one first")
    sigmas = {i.name: i.sigmas for i in scene.intents}
    checks = [
        check_plate(
            p,
            scene.obstacles,
            media,
            sigmas=sigmas.get(p.name, 2.0),
            progress=partial(_tell_of, tell, p.name),
        )
        for p in plates
    ]
    names = {p.name for p in plates}
    rest = tuple(c for c in scene.checks if c.plate not in names)
    job.save(scene.model_copy(update={"checks": (*rest, *checks)}), {}, "checked " + ", ".join(names))
    return checks


def _tell_of(tell: Tell, what: str, share: float) -> None:
    tell(share, what)


def write_job(
    job: Job,
    folder: Path,
    *,
    overlays: bool = True,
    paper: Literal["A4", "Letter"] = "A4",
    batch: str | None = None,
    tell: Tell = _quiet,
) -> tuple[list[Path], list[Finding]]:
    """Write the job's files, and return their paths and what to know of them.

    Of each plate DXF in mm and in inches, SVG, STL and a 1:1 paper template (drawn for the printer of the measured
    `batch`, if one is named); GLB of the scene; and every measured photo with all drawn in.
    """
    from elbowroom.export import write_glb

    scene, media = job.file.scene(), job.file.media()
    if not scene.plates:
        raise InputError("no plate to write", where=scene.name, todo="fit one first")
    printed = _measured_batch(scene, batch) if batch is not None else None
    folder.mkdir(parents=True, exist_ok=True)
    written: list[Path] = []
    findings: list[Finding] = []
    for plate in scene.plates:
        files, found = _write_plate(plate, folder, paper, printed, verdict_of(scene, plate))
        written += files
        findings += found
    written.append(folder / "scene.glb")
    write_glb(written[-1], scene.plates, scene.obstacles, media)
    if overlays:
        written += _write_overlays(scene, media, folder / "photos", tell)
    return written, findings


def _write_plate(
    plate: Plate, folder: Path, paper: Literal["A4", "Letter"], batch: PrintBatch | None, verdict: str
) -> tuple[list[Path], list[Finding]]:
    """Write one plate's files."""
    from elbowroom.export import write_dxf, write_stl, write_svg, write_template

    name = _file_name(plate.name)
    tails = ("_mm.dxf", "_inch.dxf", ".svg", ".stl", "_template.pdf")
    mm, inch, svg, stl, template = paths = [folder / f"{name}{tail}" for tail in tails]
    write_dxf([plate], mm, unit="mm", verdicts={plate.name: verdict})
    write_dxf([plate], inch, unit="in", verdicts={plate.name: verdict})
    write_svg(plate, svg, verdict=verdict)
    write_stl(plate, stl)
    findings = write_template(plate, template, paper=paper, batch=batch, verdict=verdict)
    return paths, [*_verdict_finding(plate, verdict), *findings]


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
    shown = [p for p in scene.photos if p.camera_from_world is not None]
    bytes_of = {o: media[o] for ob in scene.obstacles for o in ob.meshes}

    def draw(index: int) -> Path:
        photo = shown[index]
        path = folder / f"{Path(_file_name(photo.name)).stem}.png"
        picture = draw_overlay(
            media[photo.media], photo, scene.lens(photo.lens or ""), scene.plates, scene.obstacles, bytes_of
        )
        write_whole(path, picture)
        return path

    out = []
    with ThreadPoolExecutor(max(1, os.cpu_count() or 1)) as pool:
        for path in pool.map(draw, range(len(shown))):
            out.append(path)
            tell(len(out) / len(shown), path.name)
    return out


def _file_name(name: str) -> str:
    """Return an entity's name as a file name every system takes."""
    return "".join(c if c.isalnum() or c in "-_." else "_" for c in name).strip(".") or "unnamed"
