"""Photos to a measured scene: detection, network start, adjustment, datum, and findings in words."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np

from elbowroom.recon.adjust import Adjusted, Network, State, adjust
from elbowroom.recon.datum import datum_from_network
from elbowroom.recon.detect import Sighting, detect, read_grey
from elbowroom.recon.doubt import NetworkDoubt
from elbowroom.recon.edges import fit_corners
from elbowroom.recon.network import FOCAL_TRIALS, Start, focal_guess, groups, normalise, start_network
from elbowroom.recon.prints import KnownDistance, Print, known_distances, prints_of, side_sd
from elbowroom.shared.arrays import Floats
from elbowroom.shared.errors import Finding, InputError, SolveError
from elbowroom.shared.frames import Camera, Rigid, World
from elbowroom.shared.media import Media, digest
from elbowroom.shared.scene import Accuracy, Lens, MeasuredTarget, Photo, Pose, Scene, cov3

Progress = Callable[[float, str], None]

GUESSED_FOCAL = 0.3
"""A first focal length with more relative doubt than this is found from the targets instead."""

GROSS_RATIO = 0.02
"""A known distance whose ratio to the sides' scale is off its fellows by more than this is not used."""

STALE = (
    "no-targets",
    "size-unknown",
    "id-twice",
    "not-joined",
    "sightings-rejected",
    "distance-off",
    "sides-off",
    "scale-from-sides",
    "few-photos",
    "datum-by-default",
    "target-lost",
    "photo-poor",
)
"""Finding codes that a new measurement replaces."""


@dataclass(frozen=True, eq=False)
class Reading:
    """What was read in one photo."""

    photo: Photo
    sightings: tuple[Sighting, ...]
    twice: tuple[int, ...]


def measure(
    scene: Scene,
    media: Media,
    *,
    progress: Progress | None = None,
    cancelled: Callable[[], bool] | None = None,
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
    if len(scene.photos) < 2:
        raise InputError(
            "measuring needs photos from several places",
            where=scene.name,
            value=f"{len(scene.photos)} photo(s)",
            limit="2, better 8 to 24",
            todo="add photos from the left, the right, above and the front",
        )
    readings = _read_all(scene.photos, media, tell, cancelled)
    findings = _reading_findings(readings)
    ids = {s.target for r in readings for s in r.sightings}
    if not ids:
        raise InputError(
            "no coded target was found in any photo",
            where=scene.name,
            value=f"{len(readings)} photos",
            todo="stick printed targets round the spot (`elbowroom targets`) and take the photos again, sharp and near enough that a target is 40 px wide or more",
        )
    prints = prints_of(scene, ids)
    if not prints:
        raise InputError(
            "the printed size of the targets is not known",
            where=scene.name,
            value=f"targets {_listed(ids)}",
            todo="give default_side_mm, or the targets or cards with their sizes",
        )
    findings += _size_findings(ids - set(prints))
    readings = [_only(r, set(prints)) for r in readings]
    tell(0.62, "joining the photos")
    lenses = _first_lenses(scene, readings, prints)
    joined, start, more = _join(readings, lenses, prints)
    findings += more
    tell(0.7, "adjusting the network")
    solved = _solve(scene, joined, start, lenses, prints, cancelled)
    findings += solved.findings
    out, blob = _fill(scene, readings, solved, prints, findings)
    tell(1.0, "measured")
    return out, blob


def _read_all(
    photos: Sequence[Photo], media: Media, tell: Progress, cancelled: Callable[[], bool] | None
) -> list[Reading]:
    def read(photo: Photo) -> Reading:
        if cancelled is not None and cancelled():
            raise SolveError(
                "cancelled", where="reading photos", todo="start the measurement again when ready"
            )
        image = read_grey(media[photo.media], where=photo.name)
        if image.shape != (photo.height_px, photo.width_px):
            raise InputError(
                "the photo's size differs from what was imported",
                where=photo.name,
                value=image.shape,
                limit=(photo.height_px, photo.width_px),
                todo="add the photo again",
            )
        sightings, twice = detect(image)
        return Reading(photo, tuple(sightings), tuple(twice))

    out: list[Reading] = []
    with ThreadPoolExecutor(max(1, os.cpu_count() or 1)) as pool:
        for reading in pool.map(read, photos):
            out.append(reading)
            tell(0.6 * len(out) / len(photos), f"{reading.photo.name}: {len(reading.sightings)} targets")
    return out


def _reading_findings(readings: Sequence[Reading]) -> list[Finding]:
    out = []
    for r in readings:
        if not r.sightings:
            out.append(
                Finding(
                    code="no-targets",
                    severity="warning",
                    subject=r.photo.name,
                    message=f"{r.photo.name}: no coded target was read; the photo is kept but not used. Check that it is sharp and shows the targets.",
                )
            )
        for target in r.twice:
            out.append(
                Finding(
                    code="id-twice",
                    severity="fault",
                    subject=r.photo.name,
                    message=f"{r.photo.name}: target {target} appears more than once; it is left out of this photo. Take one of the two prints away and photograph again.",
                    numbers={"target": float(target)},
                )
            )
    return out


def _size_findings(ids: set[int]) -> list[Finding]:
    if not ids:
        return []
    return [
        Finding(
            code="size-unknown",
            severity="warning",
            subject="targets",
            message=f"targets {_listed(ids)} were read but their printed size isn't given; they are not used. Give them a size, or a default size.",
            numbers={"count": float(len(ids))},
        )
    ]


def _listed(ids: set[int]) -> str:
    return ", ".join(str(i) for i in sorted(ids))


def _only(reading: Reading, ids: set[int]) -> Reading:
    return Reading(reading.photo, tuple(s for s in reading.sightings if s.target in ids), reading.twice)


def _first_lenses(scene: Scene, readings: Sequence[Reading], prints: dict[int, Print]) -> dict[str, Lens]:
    """Return the first lens of each group; where EXIF was silent, with the focal length the targets suggest."""
    out = {}
    for name in sorted({r.photo.lens or "" for r in readings if r.sightings}):
        lens = scene.lens(name).model_copy(update={"k1": 0.0, "k2": 0.0, "k3": 0.0, "p1": 0.0, "p2": 0.0})
        if lens.focal_sd_px > GUESSED_FOCAL * lens.focal_px:
            seen = [
                (s.corners.corners_px, prints[s.target].side_mm)
                for r in readings
                if r.photo.lens == name
                for s in r.sightings
            ]
            focal = focal_guess([c for c, _ in seen], [m for _, m in seen], lens.width_px, lens.height_px)
            low, high = FOCAL_TRIALS[[0, -1]] * max(lens.width_px, lens.height_px)
            lens = lens.model_copy(update={"focal_px": float(np.clip(focal, low, high))})
        out[name] = lens
    return out


def _join(
    readings: Sequence[Reading], lenses: dict[str, Lens], prints: dict[int, Print]
) -> tuple[list[Reading], Start, list[Finding]]:
    """Return the readings of the largest joined group, its first values, and findings on the photos left out."""
    seen = {
        r.photo.name: {
            s.target: normalise(s.corners.corners_px, lenses[r.photo.lens or ""]) for s in r.sightings
        }
        for r in readings
        if r.sightings
    }
    parts = groups(seen)
    main = parts[0]
    if len(main) < 2:
        raise InputError(
            "the photos share no target with one another",
            where=", ".join(p[0] for p in parts[:6]),
            value=f"{len(parts)} photos, each on its own",
            limit="every photo shares 2 or more targets with another",
            todo="take photos that overlap: step round the spot and keep three or more targets in view from one photo to the next",
        )
    findings = [
        Finding(
            code="not-joined",
            severity="fault",
            subject=name,
            message=f"{name} shares no target with the other photos and is not used. Take one more photo that shows its targets and theirs together.",
        )
        for part in parts[1:]
        for name in part
    ]
    sides = {t: p.side_mm for t, p in prints.items()}
    focal = {r.photo.name: lenses[r.photo.lens or ""].focal_px for r in readings if r.sightings}
    start = start_network({p: seen[p] for p in main}, sides, focal)
    for name in sorted(set(main) - set(start.stations)):
        findings.append(
            Finding(
                code="not-joined",
                severity="fault",
                subject=name,
                message=f"{name} could not be joined to the other photos and is not used. Take it again from nearly the same place.",
            )
        )
    kept = [r for r in readings if r.photo.name in start.stations]
    return [_only(r, set(start.targets)) for r in kept], start, findings


@dataclass(frozen=True, eq=False)
class Solved:
    """The adjusted network with its index: photos, targets, lenses and batches in the order of the parameters."""

    adjusted: Adjusted
    network: Network
    photos: list[str]
    targets: list[int]
    lens_names: list[str]
    scale_known: bool
    findings: list[Finding]


def _solve(
    scene: Scene,
    readings: Sequence[Reading],
    start: Start,
    lenses: dict[str, Lens],
    prints: dict[int, Print],
    cancelled: Callable[[], bool] | None,
) -> Solved:
    photos, targets = [r.photo.name for r in readings], sorted(start.targets)
    batches = sorted({prints[t].batch for t in targets})
    lens_names = sorted({r.photo.lens or "" for r in readings})
    distances, ratio, findings = _trusted_distances(known_distances(scene, set(targets)), start)
    state = State(
        np.array([_lens_row(lenses[n]) for n in lens_names]),
        np.array([start.stations[p].rotation for p in photos]),
        np.array([start.stations[p].shift for p in photos]) * ratio,
        np.array([start.targets[t].rotation for t in targets]),
        np.array([start.targets[t].shift for t in targets]) * ratio,
        np.full(len(batches), 1.0),
    )
    sides = np.array([prints[t].side_mm for t in targets]) * ratio
    sds = np.array([side_sd(scene, b, scale_known=bool(distances)) for b in batches])
    sighted = [(r, s) for r in readings for s in r.sightings]
    adjusted: Adjusted | None = None
    for again in (False, True):
        network = _network(
            sighted, photos, targets, lens_names, batches, prints, sides, distances, sds, state, adjusted
        )
        adjusted = adjust(
            adjusted.state if adjusted else state, network, cancelled=cancelled, robust=not again
        )
    assert adjusted is not None
    findings += _rejections(sighted, adjusted) + _distance_findings(distances, targets, adjusted)
    return Solved(adjusted, network, photos, targets, lens_names, bool(distances), findings)


def _lens_row(lens: Lens) -> Floats:
    return np.array([lens.focal_px, lens.cx_px, lens.cy_px, lens.k1, lens.k2, lens.k3, lens.p1, lens.p2])


def _network(
    sighted: Sequence[tuple[Reading, Sighting]],
    photos: list[str],
    targets: list[int],
    lens_names: list[str],
    batches: list[str],
    prints: dict[int, Print],
    sides: Floats,
    distances: Sequence[KnownDistance],
    sds: Floats,
    state: State,
    before: Adjusted | None,
) -> Network:
    """Return the observations by index; once a lens is known the corners are fitted again through it."""
    corners, whitening = [], []
    for r, s in sighted:
        fitted = s.corners
        if before is not None:
            row = before.state.lenses[lens_names.index(r.photo.lens or "")]
            fitted = (
                fit_corners(s.edges, s.corners.corners_px, _lens(r.photo.lens or "", row, r.photo)) or fitted
            )
        corners.append(fitted.corners_px)
        whitening.append(np.linalg.inv(np.linalg.cholesky(fitted.covariance_px2)))
    index = {t: i for i, t in enumerate(targets)}
    return Network(
        lens=np.array([lens_names.index(r.photo.lens or "") for r, _ in sighted]),
        station=np.array([photos.index(r.photo.name) for r, _ in sighted]),
        target=np.array([index[s.target] for _, s in sighted]),
        corners_px=np.array(corners),
        whitening=np.array(whitening),
        sides_mm=sides,
        batch=np.array([batches.index(prints[t].batch) for t in targets]),
        distance_ends=np.array([[index[e] for e in d.ends] for d in distances], dtype=np.int64).reshape(
            -1, 2
        ),
        distances_mm=np.array([d.mm for d in distances]),
        distance_sds_mm=np.array([d.sd_mm for d in distances]),
        factor_sds=sds,
        lens_start=state.lenses,
    )


def _lens(name: str, row: Floats, photo: Photo, focal_sd_px: float = 0.0) -> Lens:
    focal, cx, cy, k1, k2, k3, p1, p2 = (float(v) for v in row)
    return Lens(
        name=name or "camera",
        width_px=photo.width_px,
        height_px=photo.height_px,
        focal_px=focal,
        cx_px=cx,
        cy_px=cy,
        k1=k1,
        k2=k2,
        k3=k3,
        p1=p1,
        p2=p2,
        focal_sd_px=focal_sd_px,
    )


def _trusted_distances(
    distances: Sequence[KnownDistance], start: Start
) -> tuple[list[KnownDistance], float, list[Finding]]:
    """Return the distances to use, the scale they ask of the sides, and findings on those that can't be right."""
    if not distances:
        return [], 1.0, []
    measured = np.array(
        [
            np.linalg.norm(start.targets[b].shift - start.targets[a].shift)
            for a, b in (d.ends for d in distances)
        ]
    )
    ratios = np.array([d.mm for d in distances]) / np.maximum(measured, 1e-6)
    middle = float(np.median(ratios))
    slack = np.array([GROSS_RATIO + 5 * d.sd_mm / d.mm for d in distances])
    # with one distance, or distances of two minds, the sides cast the vote
    base = middle if (np.abs(ratios / middle - 1) < slack).sum() >= 2 else 1.0
    good = np.abs(ratios / base - 1) < slack
    findings = [
        Finding(
            code="distance-off",
            severity="fault",
            subject=d.name,
            message=f"{d.name}: given {d.mm:.2f} mm, but the photos say {m * base:.2f} mm; it is not used. Check the number and its unit.",
            numbers={"given_mm": d.mm, "measured_mm": float(m * base)},
        )
        for d, m, ok in zip(distances, measured, good, strict=True)
        if not ok
    ]
    kept = [d for d, ok in zip(distances, good, strict=True) if ok]
    if kept and abs(base - 1) > GROSS_RATIO:
        findings.append(
            Finding(
                code="sides-off",
                severity="fault",
                subject="targets",
                message=f"the typed target sides are {100 * (1 / base - 1):+.1f} % off what the scale cards and distances say; these are followed. Check the target size and the printer's scaling.",
                numbers={"percent": 100 * (1 / base - 1)},
            )
        )
    return kept, base if kept else 1.0, findings


def _rejections(sighted: Sequence[tuple[Reading, Sighting]], adjusted: Adjusted) -> list[Finding]:
    lost: dict[int, list[str]] = {}
    for (r, s), used, residual in zip(sighted, adjusted.used, adjusted.residuals_px, strict=True):
        if not used:
            lost.setdefault(s.target, []).append(f"{r.photo.name} ({np.abs(residual).max():.1f} px)")
    return [
        Finding(
            code="sightings-rejected",
            severity="warning",
            subject=f"target {t}",
            message=f"target {t} does not fit the rest in {len(w)} photo(s): {', '.join(w[:6])}. It may have moved, be printed twice or be partly hidden; those sightings are not used.",
            numbers={"photos": float(len(w))},
        )
        for t, w in sorted(lost.items())
    ]


def _distance_findings(
    distances: Sequence[KnownDistance], targets: list[int], adjusted: Adjusted
) -> list[Finding]:
    out = []
    for d in distances:
        a, b = (adjusted.state.target_shifts[targets.index(e)] for e in d.ends)
        miss = float(np.linalg.norm(b - a)) - d.mm
        if abs(miss) > 4 * d.sd_mm:
            out.append(
                Finding(
                    code="distance-off",
                    severity="warning",
                    subject=d.name,
                    message=f"{d.name}: given {d.mm:.2f} mm, measured {d.mm + miss:.2f} mm with all the rest; that is {abs(miss) / d.sd_mm:.0f} times its doubt. Measure it again.",
                    numbers={"given_mm": d.mm, "measured_mm": d.mm + miss},
                )
            )
    return out


def _fill(
    scene: Scene,
    readings: Sequence[Reading],
    solved: Solved,
    prints: dict[int, Print],
    findings: list[Finding],
) -> tuple[Scene, dict[str, bytes]]:
    """Return the scene with what was measured in it, in the datum's frame, and the network's covariance."""
    adjusted, state = solved.adjusted, solved.adjusted.state
    photos = _photos(scene, readings, solved)
    lenses = {
        name: _lens(
            name,
            state.lenses[i],
            next(r.photo for r in readings if r.photo.lens == name),
            float(np.sqrt(adjusted.covariance[8 * i, 8 * i])),
        )
        for i, name in enumerate(solved.lens_names)
    }
    counts = {
        t: int((adjusted.used & (solved.network.target == i)).sum()) for i, t in enumerate(solved.targets)
    }
    findings += [
        Finding(
            code="target-lost",
            severity="warning",
            subject=f"target {t}",
            message=f"target {t}: every sighting was rejected; it is not measured.",
        )
        for t, n in counts.items()
        if n == 0
    ]
    findings += [
        Finding(
            code="few-photos",
            severity="note",
            subject=f"target {t}",
            message=f"target {t} is used in one photo only; its place is weak. Take one more photo of it from the side.",
        )
        for t, n in counts.items()
        if n == 1
    ]
    measured = [
        _target(t, i, counts[t], prints[t], solved) for i, t in enumerate(solved.targets) if counts[t]
    ]
    accuracy = _accuracy(solved)
    if accuracy.scale_source == "target sides":
        findings.append(
            Finding(
                code="scale-from-sides",
                severity="warning",
                subject="scale",
                message=f"the scale comes from the printed target sides alone and may be {100 * accuracy.scale_sd:.2f} % off (1 sigma). Add a scale card or type a measured distance.",
                numbers={"scale_sd_percent": 100 * accuracy.scale_sd},
            )
        )
    kept = tuple(f for f in scene.findings if f.code not in STALE)
    flat = scene.model_copy(
        update={
            "photos": photos,
            "lenses": tuple(lenses.get(n.name, n) for n in scene.lenses),
            "measured": tuple(measured),
            "accuracy": accuracy,
            "measured_faces": (),
            "obstacles": (),
            "plates": (),
            "checks": (),
        }
    )
    columns = np.concatenate([np.r_[adjusted.target_columns(solved.targets.index(m.id))] for m in measured])
    doubt = NetworkDoubt(
        np.array([m.world_from_target.shift_mm for m in measured]),
        adjusted.covariance[np.ix_(columns, columns)],
    )
    out, moved, more = _into_datum(flat, doubt)
    blob = moved.to_bytes()
    return out.model_copy(
        update={"network": digest(blob), "findings": kept + tuple(findings) + tuple(more)}
    ), {digest(blob): blob}


def _photos(scene: Scene, readings: Sequence[Reading], solved: Solved) -> tuple[Photo, ...]:
    read = {r.photo.name: tuple(s.target for s in r.sightings) for r in readings}
    state, out = solved.adjusted.state, []
    for photo in scene.photos:
        pose, rms = None, None
        if photo.name in solved.photos:
            i = solved.photos.index(photo.name)
            pose = Pose.of(Rigid[Camera, World](state.station_rotations[i], state.station_shifts[i]))
            mine = (solved.network.station == i) & solved.adjusted.used
            rms = float(np.sqrt((solved.adjusted.residuals_px[mine] ** 2).mean())) if mine.any() else None
        out.append(
            photo.model_copy(
                update={"camera_from_world": pose, "rms_px": rms, "targets_read": read.get(photo.name, ())}
            )
        )
    return tuple(out)


def _target(target: int, i: int, count: int, printed: Print, solved: Solved) -> MeasuredTarget:
    state, columns = solved.adjusted.state, solved.adjusted.target_columns(i)
    factor = float(state.factors[solved.network.batch[i]])
    return MeasuredTarget(
        id=target,
        side_mm=float(solved.network.sides_mm[i]) * factor,
        thickness_mm=printed.thickness_mm,
        world_from_target=Pose.of(Rigid(state.target_rotations[i], state.target_shifts[i])),
        covariance_mm2=cov3(solved.adjusted.covariance[columns, columns]),
        seen_in=count,
    )


def _accuracy(solved: Solved) -> Accuracy:
    adjusted = solved.adjusted
    residuals = adjusted.residuals_px[adjusted.used]
    sds = [
        float(np.sqrt(np.trace(adjusted.covariance[c, c]) / 3))
        for c in (adjusted.target_columns(i) for i in range(len(solved.targets)))
    ]
    return Accuracy(
        sigma0_px=adjusted.sigma0,
        rms_px=float(np.sqrt((residuals**2).mean())),
        redundancy=adjusted.redundancy,
        observations=int(residuals.size),
        rejected=int((~adjusted.used).sum()),
        scale_source="scale cards and distances" if solved.scale_known else "target sides",
        scale_sd=_scale_sd(solved),
        typical_sd_mm=float(np.median(sds)),
    )


def _scale_sd(solved: Solved) -> float:
    """Return the relative sd of the whole pattern's size: of the rms distance of the centres from their middle."""
    centres = solved.adjusted.state.target_shifts
    arms = centres - centres.mean(axis=0)
    columns = np.concatenate([np.r_[solved.adjusted.target_columns(i)] for i in range(len(centres))])
    row = (arms / (arms**2).sum()).ravel()
    return float(np.sqrt(row @ solved.adjusted.covariance[np.ix_(columns, columns)] @ row))


def _into_datum(scene: Scene, doubt: NetworkDoubt) -> tuple[Scene, NetworkDoubt, list[Finding]]:
    """Return the scene and the network's doubt in the datum's frame (by default: the first card or best target)."""
    findings = []
    if scene.datum is not None:
        move = datum_from_network(scene.datum, scene)
    else:
        on_card = [t.id for c in scene.cards for t in c.targets]
        base = next(
            (m for m in scene.measured if m.id in on_card), max(scene.measured, key=lambda m: m.seen_in)
        )
        move = base.world_from_target.rigid().inverse()
        findings.append(
            Finding(
                code="datum-by-default",
                severity="note",
                subject="datum",
                message=f"no datum is given: the world is target {base.id}'s frame (x right, y up as printed). Name a plane, a direction and an origin to set it.",
            )
        )
    return move_scene(scene, move), _moved_doubt(doubt, move), findings


def move_scene(scene: Scene, move: Rigid[World, World]) -> Scene:
    """Return a scene's stations and targets in another world frame: `move` takes old coordinates to new ones."""
    back = move.inverse()
    photos = tuple(
        p
        if p.camera_from_world is None
        else p.model_copy(update={"camera_from_world": Pose.of(_station(p.camera_from_world) @ back)})
        for p in scene.photos
    )
    measured = tuple(
        m.model_copy(
            update={
                "world_from_target": Pose.of(move @ m.world_from_target.rigid()),
                "covariance_mm2": cov3(move.rotation @ np.array(m.covariance_mm2) @ move.rotation.T),
            }
        )
        for m in scene.measured
    )
    return scene.model_copy(update={"photos": photos, "measured": measured})


def _station(pose: Pose) -> Rigid[Camera, World]:
    return pose.rigid()


def _moved_doubt(doubt: NetworkDoubt, move: Rigid[World, World]) -> NetworkDoubt:
    turn = np.kron(np.eye(len(doubt.centres_world)), move.rotation)
    return NetworkDoubt(move.apply(doubt.centres_world), turn @ doubt.covariance_mm2 @ turn.T)
