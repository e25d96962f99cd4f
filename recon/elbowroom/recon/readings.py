"""What was read in each photo: its coded targets, and findings on photos and prints that don't help."""

from __future__ import annotations

import os
from collections.abc import Callable, Collection, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace

import numpy as np

from elbowroom.recon.blur import Blur, blur_finding, blur_of
from elbowroom.recon.detect import Sighting, detect, find_targets, read_grey
from elbowroom.recon.exposure import MENDS, exposure_of, exposure_word, overview
from elbowroom.recon.hidden import covered, covered_findings
from elbowroom.recon.pattern import Family
from elbowroom.shared.arrays import Image
from elbowroom.shared.errors import Finding, InputError, SolveError
from elbowroom.shared.media import Media
from elbowroom.shared.scene import Exposure, Photo

Progress = Callable[[float, str], None]
Cancelled = Callable[[], bool]


@dataclass(frozen=True, eq=False)
class Reading:
    """What was read in one photo: targets, and ids seen more than once.

    `mirrored` are the ids read only once the photo is flipped; `blur` is how wide its edges are, `exposure` how light it is, `overview` the photo made
    small; `covered` gives the
    share of each partly covered target that is hidden.
    """

    photo: Photo
    sightings: tuple[Sighting, ...]
    twice: tuple[int, ...]
    mirrored: tuple[int, ...] = ()
    blur: Blur | None = None
    covered: Mapping[int, float] = field(default_factory=dict)
    exposure: Exposure | None = None
    overview: Image | None = None

    @property
    def lens(self) -> str:
        """Name of the photo's lens."""
        return self.photo.lens or ""

    def only(self, ids: Collection[int]) -> Reading:
        """Return the reading without targets other than `ids`."""
        return replace(self, sightings=tuple(s for s in self.sightings if s.target in ids))


def read_photos(
    photos: Sequence[Photo],
    media: Media,
    *,
    family: Family | None = None,
    progress: Progress | None = None,
    cancelled: Cancelled | None = None,
) -> list[Reading]:
    """Return what is read in each photo; `progress` is told the share of photos done.

    Raises
    ------
    InputError
        When a photo's bytes can't be decoded or are not those of the photo imported.
    SolveError
        When cancelled.
    """

    def read(photo: Photo) -> Reading:
        if cancelled is not None and cancelled():
            raise SolveError(
                "cancelled", where="reading photos", todo="start the measurement again when ready"
            )
        return read_photo(photo, media, family)

    out: list[Reading] = []
    with ThreadPoolExecutor(max(1, os.cpu_count() or 1)) as pool:
        for reading in pool.map(read, photos):
            out.append(reading)
            if progress is not None:
                progress(len(out) / len(photos), f"{reading.photo.name}: {len(reading.sightings)} targets")
    return out


def read_photo(photo: Photo, media: Media, family: Family | None = None) -> Reading:
    """Return what is read in one photo; raises InputError when its bytes are not those that were imported."""
    if photo.media not in media:
        raise InputError(
            "this copy of the job holds the photo small or not at all: to look at, not to measure in",
            where=photo.name,
            todo="measure in the copy that has the full photos, and merge",
        )
    image = read_grey(media[photo.media], where=photo.name)
    if image.shape != (photo.height_px, photo.width_px):
        raise InputError(
            "the photo's size differs from what was imported",
            where=photo.name,
            value=f"{image.shape[1]} x {image.shape[0]} px",
            limit=f"{photo.width_px} x {photo.height_px} px",
            todo="add the photo again",
        )
    sightings, twice = detect(image, family)
    mirrored = () if sightings or twice else _mirrored(image, family)
    blur, shares = blur_of(image, sightings), covered(sightings, family)
    exposure = exposure_of(image, sightings)
    return Reading(photo, tuple(sightings), tuple(twice), mirrored, blur, shares, exposure, overview(image))


def _mirrored(image: Image, family: Family | None) -> tuple[int, ...]:
    """Return the ids of targets that are read when a photo is flipped left to right."""
    return tuple(sorted({t for t, _ in find_targets(np.ascontiguousarray(image[:, ::-1]), family)}))


def reading_findings(readings: Sequence[Reading]) -> list[Finding]:
    """Return findings on photos without targets, mirrored or blurred, on ids seen twice in one, on covered targets."""
    bare = [r for r in readings if not r.sightings]
    out = [_mirror(r.photo.name, r.mirrored) if r.mirrored else _no_targets(r) for r in bare]
    out += [_id_twice(r.photo.name, target) for r in readings for target in r.twice]
    blurs = [blur_finding(r.photo.name, r.blur) for r in readings if r.blur is not None]
    return (
        out
        + [f for f in blurs if f is not None]
        + covered_findings({r.photo.name: r.covered for r in readings})
    )


def _mirror(photo: str, targets: Collection[int]) -> Finding:
    return Finding(
        code="photo-mirrored",
        severity="fault",
        subject=photo,
        message=f"{photo} is mirrored: no target can be read in it, but flipped left to right it shows targets "
        f"{listed(targets)}. It is not used. Take it with the camera on the phone's back, or switch off the mirroring "
        "of the front camera, and don't flip files.",
        numbers={"targets": float(len(targets))},
    )


def _no_targets(reading: Reading) -> Finding:
    photo = reading.photo.name
    word = "good" if reading.exposure is None else exposure_word(reading.exposure)
    step = "Check that it is sharp and shows the targets."
    if word != "good":
        step = f"It is {word}: take it again with {MENDS[word]}."
    return Finding(
        code="no-targets",
        severity="warning",
        subject=photo,
        message=f"{photo}: no coded target was read; the photo is kept but not used. {step}",
    )


def _id_twice(photo: str, target: int) -> Finding:
    return Finding(
        code="id-twice",
        severity="fault",
        subject=photo,
        message=f"{photo}: target {target} appears more than once; it is left out of this photo. "
        "Take one of the two prints away and photograph again.",
        numbers={"target": float(target)},
    )


def size_findings(ids: Collection[int]) -> list[Finding]:
    """Return a finding naming the targets that were read but whose printed size isn't known."""
    if not ids:
        return []
    return [
        Finding(
            code="size-unknown",
            severity="warning",
            subject="targets",
            message=f"targets {listed(ids)} were read but their printed size isn't given; they are not used. "
            "Give them a size, or a default size.",
            numbers={"count": float(len(ids))},
        )
    ]


def listed(ids: Collection[int]) -> str:
    """Return ids in order, with commas."""
    return ", ".join(str(i) for i in sorted(ids))
