"""Photos to a measured scene: reading, joining, adjustment, datum, and findings in words."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence

from elbowroom.recon.advice import ground_of
from elbowroom.recon.coaching import coaching_findings
from elbowroom.recon.detect import read_grey
from elbowroom.recon.faults import network_faults
from elbowroom.recon.joins import first_lenses, join_readings, settled_lenses
from elbowroom.recon.lensgroups import lens_split
from elbowroom.recon.missed import missed_findings, missed_targets
from elbowroom.recon.pattern import Family
from elbowroom.recon.photosizes import photo_size_findings
from elbowroom.recon.prints import prints_of
from elbowroom.recon.readings import Progress, Reading, listed, read_photos, reading_findings, size_findings
from elbowroom.recon.result import measured_scene
from elbowroom.recon.scalefaults import scale_findings
from elbowroom.recon.scalesources import settled_scale
from elbowroom.recon.solution import rejected_picks, solve_network
from elbowroom.recon.stiffening import stiffened
from elbowroom.shared.errors import InputError
from elbowroom.shared.media import Media
from elbowroom.shared.scene import Scene

READING_SHARE, JOINING_SHARE, ADJUSTING_SHARE, TYING_SHARE = 0.6, 0.62, 0.7, 0.8
"""Shares of the work done when the photos are read, and when next they are joined, adjusted, tied together."""


def measure(
    scene: Scene,
    media: Media,
    *,
    progress: Progress | None = None,
    cancelled: Callable[[], bool] | None = None,
    family: Family | None = None,
) -> tuple[Scene, dict[str, bytes]]:
    """Measure the photos of a scene.

    Parameters
    ----------
    scene : Scene
        Photos with their first lenses, what was printed, maybe a datum.
    media : Media
        The photos' bytes by digest.
    progress, cancelled : callable, optional
        Told the share done (0 to 1) and what is being done; asked whether to stop.
    family : Family, optional
        Family of the coded targets, unless it is the one that is printed.

    Returns
    -------
    Scene, dict
        The scene with lenses, stations, measured targets, accuracy and findings; and the network's covariance as
        media to be stored with it. Obstacles, plates and checks are dropped: they were measured with the old network.

    Raises
    ------
    InputError, SolveError
        When the photos can't make a network; the message names what is missing and which photo to take.
    """
    tell = progress or (lambda share, what: None)
    _check_count(scene)
    readings = read_photos(
        scene.photos,
        media,
        family=family,
        progress=lambda share, what: tell(READING_SHARE * share, what),
        cancelled=cancelled,
    )
    return measure_readings(scene, readings, media, progress=tell, cancelled=cancelled)


def measure_readings(
    scene: Scene,
    readings: Sequence[Reading],
    media: Media | None = None,
    *,
    progress: Progress,
    cancelled: Callable[[], bool] | None = None,
) -> tuple[Scene, dict[str, bytes]]:
    """Measure what was read in a scene's photos; as `measure`, which reads them first.

    Without `media` a weak network stays as it is: tie points need the photos' pixels.
    """
    ids = {s.target for r in readings for s in r.sightings}
    prints = prints_of(scene, ids)
    _check_targets(scene, ids, prints)
    findings = reading_findings(readings) + size_findings(ids - set(prints))
    known = [r.only(prints) for r in readings]
    progress(JOINING_SHARE, "joining the photos")
    lenses = settled_lenses(known, first_lenses(scene, known, prints), prints)
    joined, start, more = join_readings(known, lenses, prints)
    progress(ADJUSTING_SHARE, "adjusting the network")
    solution = solve_network(scene, joined, start, lenses=lenses, prints=prints, cancelled=cancelled)
    split = lens_split(scene, readings, solution)
    if split is not None:
        out, made = measure_readings(
            split.scene, split.readings, media, progress=progress, cancelled=cancelled
        )
        return out.model_copy(update={"findings": (split.finding, *out.findings)}), made
    solution = settled_scale(scene, solution)
    if media is not None:
        progress(TYING_SHARE, "looking at how stiff the network is")
        solution = stiffened(
            solution,
            readings,
            joined,
            lambda photo: read_grey(media[photo.media], where=photo.name),
            cancelled=cancelled,
        )
    faults = network_faults(known, joined, solution, lenses=lenses, prints=prints)
    findings += [f for f in more if f.subject not in faults.photos] + solution.findings
    findings += rejected_picks(solution)
    ground = ground_of(solution.adjusted, solution.network, [lenses[n] for n in solution.index.lenses])
    findings += scale_findings(solution, prints) + coaching_findings(ground, solution, scene.photos)
    missed = missed_targets(ground, solution.index, readings)
    findings += missed_findings(ground, solution.index, readings, missed)
    findings += photo_size_findings(scene)
    out, made = measured_scene(
        scene, known, joined, solution, prints=prints, faults=faults, missed=missed, findings=findings
    )
    progress(1.0, "measured")
    return out, made


def _check_count(scene: Scene) -> None:
    if len(scene.photos) < 2:
        raise InputError(
            "measuring needs photos from several places",
            where=scene.name,
            value=f"{len(scene.photos)} photo(s)",
            limit="2, better 8 to 24",
            todo="add photos from the left, the right, above and the front",
        )


def _check_targets(scene: Scene, ids: Collection[int], prints: Collection[int]) -> None:
    if not ids:
        raise InputError(
            "no coded target was found in any photo",
            where=scene.name,
            value=f"{len(scene.photos)} photos",
            todo="stick printed targets round the spot (`elbowroom targets`) and take the photos again, sharp and "
            "near enough that a target is 40 px wide or more",
        )
    if not prints:
        raise InputError(
            "the printed size of the targets is not known",
            where=scene.name,
            value=f"targets {listed(ids)}",
            todo="give default_side_mm, or the targets or cards with their sizes",
        )
