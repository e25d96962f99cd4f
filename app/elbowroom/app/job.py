"""The steps of a job on a scene file: each reads the scene, makes one call into a room, and saves a revision."""

from __future__ import annotations

from collections import ChainMap
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import count
from pathlib import Path
from typing import TYPE_CHECKING, Literal, cast

import numpy as np

from elbowroom.app.names import check_known, check_named, check_photos
from elbowroom.shared.errors import Finding, InputError, Severity
from elbowroom.shared.fresh import measurement_holds, without_stale, without_void
from elbowroom.shared.hardware import diameter_mm
from elbowroom.shared.loads import Strength
from elbowroom.shared.media import Media, digest, read_mesh
from elbowroom.shared.scene import (
    Check,
    KnownLens,
    MeshTag,
    Obstacle,
    Plate,
    PlateIntent,
    PrintBatch,
    ScanTag,
    Scene,
    TagFile,
)
from elbowroom.shared.store import SceneFile
from elbowroom.shared.tagfile import TagChanges, merge_tags, read_tag_file, tag_changes

if TYPE_CHECKING:
    from elbowroom.recon import NetworkDoubt

Tell = Callable[[float, str], None]
Cancelled = Callable[[], bool]

PHOTO_SUFFIXES = {".jpg", ".jpeg", ".png", ".heic", ".heif"}


def quiet(share: float, what: str) -> None:
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


def add_photos(
    job: Job, paths: Sequence[Path], *, names: Sequence[str] | None = None, tell: Tell = quiet
) -> list[Finding]:
    """Take photos into the job: all that read are kept, the others come back as findings.

    `names` are what the photos are called where their files are not.

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
    called = names or [p.name for p in paths]
    for i, (path, name) in enumerate(zip(paths, called, strict=True)):
        tell(i / len(paths), name)
        try:
            photo, lens, data, found = import_photo(name, _bytes_of(path))
        except InputError as error:
            refused.append(error)
            findings.append(_about_photo("refused", "fault", name, str(error)))
            continue
        if any(p.media == photo.media for p in photos):
            findings.append(_about_photo("known", "note", name, f"{name} is in the job already"))
            continue
        if any(p.name == photo.name for p in photos):
            photo = photo.model_copy(update={"name": _free_name(photo.name, {p.name for p in photos})})
            message = f"{name if names else path}: another photo of that name is in the job; this one is called {photo.name} there"
            findings.append(_about_photo("renamed", "warning", photo.name, message))
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


def _about_photo(what: str, severity: Severity, photo: str, message: str) -> Finding:
    return Finding(code=f"photo-{what}", severity=severity, subject=photo, message=message)


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


def take_tags(job: Job, path: Path, *, name: str | None = None) -> tuple[Scene, TagChanges]:
    """Merge a tag file into the job and, when the job is measured, measure its tags; all or nothing.

    `name` is what the file is called where it came from. Returns the scene, and what the file added, replaced and left
    as it was.
    """
    tags = read_tag_file(path)
    made: dict[str, bytes] = {}
    kept = []
    for tag in tags.tags:
        if isinstance(tag, MeshTag | ScanTag) and tag.file is not None and tag.media is None:
            data = _bytes_of(path.parent / tag.file)
            made[digest(data)] = data
            tag = tag.model_copy(update={"media": digest(data), "file": Path(tag.file).name})
        kept.append(tag)
    return add_tags(
        job, tags.model_copy(update={"tags": tuple(kept)}), f"tags from {name or path.name}", media=made
    )


def add_tags(
    job: Job, tags: TagFile, reason: str, *, media: Mapping[str, bytes] | None = None
) -> tuple[Scene, TagChanges]:
    """Merge parts of a scene into the job and, when it is measured, measure its tags; all or nothing.

    `media` are meshes that come with them. Returns the scene, and what was added, replaced and left as it was.
    """
    before, made = job.file.scene(), dict(media or {})
    scene = merge_tags(before, tags)
    check_photos(scene)
    check_named(scene)
    if measurement_holds(before, scene):
        scene, more = with_tags(scene, _with_stored(made, job), quiet)
        made |= more
    saved = job.save(without_stale(before, scene), made, reason)
    return saved, tag_changes(before, tags)


def remove_tag(job: Job, name: str) -> Scene:
    """Take an obstacle's tag out of the job, and measure the others without it.

    Raises
    ------
    InputError
        When there is none of that name, or a plate's hole or slot goes by it.
    """
    before = job.file.scene()
    check_known(name, {t.name for t in before.tags}, "obstacles", "thing")
    after = before.model_copy(update={"tags": tuple(t for t in before.tags if t.name != name)})
    made: dict[str, bytes] = {}
    check_named(after)
    if before.accuracy is not None:
        after, made = with_tags(after, job.file.media(), quiet)
    return job.save(without_stale(before, after), made, f"deleted {name}")


def show_lengths_in(job: Job, unit: Literal["mm", "in"]) -> Scene:
    """Change the unit lengths are shown in; nothing measured or made changes."""
    return job.save(
        job.file.scene().model_copy(update={"shown_in": unit}),
        {},
        f"lengths in {'mm' if unit == 'mm' else 'inches'}",
    )


def _with_stored(made: dict[str, bytes], job: Job) -> Media:
    """Return new media with the job's own, which are read when asked for."""
    return ChainMap(made, cast("dict[str, bytes]", job.file.media()))


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
    check_known(batch, known or {batch}, "check bars", "print batch")
    rest = tuple(b for b in scene.batches if b.name != batch)
    made = PrintBatch(name=batch, bar_x_mm=x_mm, bar_y_mm=y_mm, measured=True)
    after = without_stale(scene, scene.model_copy(update={"batches": (*rest, made)}))
    return job.save(after, {}, f"check bars of {batch}")


def keep_lenses(job: Job, earlier: SceneFile, source: str) -> list[str]:
    """Take over the lenses that an earlier job measured, for photos of the same phone; returns their names.

    Raises
    ------
    InputError
        When the earlier job has measured no lens that a photo of this one was taken through.
    """
    scene, before = job.file.scene(), earlier.scene()
    wanted = {p.lens for p in scene.photos}
    measured = [n for n in before.lenses if n.covariance]
    found = [n for n in measured if n.name in wanted]
    if not found:
        raise InputError(
            "the earlier job has measured no lens of this one's photos",
            where=source,
            value=", ".join(n.name for n in measured) or "no lens measured",
            limit=f"one of: {', '.join(sorted(n for n in wanted if n)) or 'none, add photos first'}",
            todo="take both jobs' photos with the same phone, lens and photo size, and measure the earlier one first",
        )
    names = [n.name for n in found]
    rest = tuple(k for k in scene.known_lenses if k.lens.name not in names)
    known = tuple(KnownLens(lens=n, source=source) for n in found)
    after = scene.model_copy(update={"known_lenses": (*rest, *known)})
    job.save(without_stale(scene, after), {}, f"lenses of {source}")
    return names


def measure_job(job: Job, *, tell: Tell = quiet, cancelled: Cancelled | None = None) -> Scene:
    """Measure the job's photos, then its tags, as one revision; the photos' is kept when a tag can't be measured."""
    from elbowroom.recon import measure

    scene, made = measure(job.file.scene(), job.file.media(), progress=tell, cancelled=cancelled)
    try:
        if scene.tags or scene.faces or scene.features:
            scene, more = with_tags(scene, _with_stored(made, job), tell)
            made |= more
    finally:
        job.save(scene, made, "measured")
    return scene


def with_tags(scene: Scene, media: Media, tell: Tell) -> tuple[Scene, dict[str, bytes]]:
    """Return a measured scene with its tags measured in its frame, and the media that makes."""
    from elbowroom.recon import measure_tags

    return measure_tags(
        scene,
        media,
        network=_doubt_of(scene, media),
        progress=lambda done, of, name: tell(done / max(of, 1), name),
    )


def _doubt_of(scene: Scene, media: Media) -> NetworkDoubt | None:
    from elbowroom.recon import NetworkDoubt

    return NetworkDoubt.of_bytes(media[scene.network]) if scene.network else None


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


def fit_job(job: Job, name: str | None = None, *, tell: Tell = quiet) -> list[Plate]:
    """Fit the plates asked for and store them; their old checks are dropped."""
    scene, media = job.file.scene(), job.file.media()
    if scene.accuracy is None:
        raise InputError("the job is not measured yet", where=scene.name, todo="measure it first")
    doubt = _doubt_of(scene, media)
    plates = [_fitted(intent, scene, media, doubt, tell) for intent in chosen_intents(scene, name)]
    names = [p.name for p in plates]
    update = {
        "plates": (*(p for p in scene.plates if p.name not in names), *plates),
        "checks": tuple(c for c in scene.checks if c.plate not in names),
        "findings": without_void(scene.findings, names),
    }
    job.save(scene.model_copy(update=update), {}, "fitted " + ", ".join(names))
    return plates


def _fitted(intent: PlateIntent, scene: Scene, media: Media, doubt: NetworkDoubt | None, tell: Tell) -> Plate:
    """Fit one plate; the message of what is wrong with the intent begins with its name."""
    from elbowroom.fit import fit_plate
    from elbowroom.recon import resolve_intent

    try:
        return fit_plate(resolve_intent(intent, scene, doubt, media), scene, media, progress=tell)
    except InputError as e:
        where = e.where if intent.name in e.where else f"plate {intent.name}, {e.where}".rstrip(", ")
        raise e.placed(where) from e


def check_job(job: Job, name: str | None = None, *, tell: Tell = quiet) -> list[Check]:
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
    names = [p.name for p in plates]
    update = {
        "checks": (*(c for c in scene.checks if c.plate not in names), *checks),
        "findings": without_void(scene.findings, names),
    }
    job.save(scene.model_copy(update=update), {}, "checked " + ", ".join(names))
    return checks


def strength_job(job: Job, name: str | None = None, *, tell: Tell = quiet) -> list[tuple[Plate, Strength]]:
    """Return each fitted plate with how it stands up to each of its load cases; nothing is stored.

    Raises
    ------
    InputError
        When there is no load case, or a plate with one is not fitted.
    """
    from elbowroom.fit import check_strength

    scene = job.file.scene()
    cases = [c for c in scene.load_cases if name in (None, c.plate)]
    if not cases:
        raise InputError(
            "no load case",
            where=name or scene.name,
            limit=f"there are some for: {', '.join(sorted({c.plate for c in scene.load_cases})) or 'no plate'}",
            todo="add one with a tag file (load_cases)",
        )
    bolts = {
        (i.name, h.name): diameter_mm(h.thread)
        for i in scene.intents
        for h in i.holes
        if h.thread is not None
    }
    out = []
    for case in cases:
        plate = scene.plate(case.plate)
        own = {hole: d for (of, hole), d in bolts.items() if of == plate.name}
        telling = partial(_tell_of, tell, f"{plate.name}, {case.name}")
        out.append((plate, check_strength(plate, case, bolt_mm=own, progress=telling)))
    return out


def _tell_of(tell: Tell, what: str, share: float) -> None:
    tell(share, what)
