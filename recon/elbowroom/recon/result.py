"""The solved network written into a scene: photos, lenses, targets, accuracy, findings, and the network's doubt."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

import numpy as np

from elbowroom.recon.datum import into_datum
from elbowroom.recon.doubt import NetworkDoubt
from elbowroom.recon.equations import LENS
from elbowroom.recon.faults import Faults
from elbowroom.recon.inkspread import measured_prints
from elbowroom.recon.lensrows import lens_of
from elbowroom.recon.prints import Print
from elbowroom.recon.readings import Reading
from elbowroom.recon.solution import Solution
from elbowroom.shared.errors import Finding
from elbowroom.shared.frames import Camera, Rigid, World
from elbowroom.shared.media import digest
from elbowroom.shared.scene import Accuracy, Lens, MeasuredTarget, Photo, Pose, Scene, cov3

POOR_RMS_PX = 1.0
"""Residuals of a sound network are 0.05 to 0.3 px; above this the photos don't show one unmoved thing."""


def measured_scene(
    scene: Scene,
    readings: Sequence[Reading],
    joined: Sequence[Reading],
    solution: Solution,
    *,
    prints: Mapping[int, Print],
    faults: Faults,
    missed: Mapping[str, tuple[int, ...]],
    findings: Sequence[Finding],
) -> tuple[Scene, dict[str, bytes]]:
    """Return the scene with what was measured in it, in the datum's frame, and the network's covariance as media.

    `joined` are the readings the network was made of, in its order.

    Photos at fault get no station: what is picked in them would be measured wrong. The scene's old findings go with all
    that was measured before.
    """
    counts = _counts(solution)
    measured = tuple(_target(t, i, n, prints[t], solution) for i, (t, n) in enumerate(counts.items()) if n)
    accuracy = _accuracy(solution)
    flat = scene.model_copy(
        update={
            "photos": _photos(scene, readings, solution, faults.photos, missed),
            "lenses": _lenses(scene, solution),
            "measured": measured,
            "measured_prints": measured_prints(solution, joined, prints),
            "accuracy": accuracy,
            "measured_faces": (),
            "measured_features": (),
            "obstacles": (),
            "plates": (),
            "checks": (),
        }
    )
    out, doubt, more = into_datum(flat, _doubt(measured, solution))
    poor = [_photo_poor(p.name) for p in flat.photos if _lost(p, solution) and p.name not in faults.photos]
    ids = {s.target for r in readings for s in r.sightings if r.photo.name in solution.index.photos}
    fewer = _count_findings({t: counts.get(t, 0) for t in sorted(ids - faults.targets)})
    told = [*findings, *faults.findings, *poor, *fewer, *_accuracy_findings(accuracy), *more]
    blob = doubt.to_bytes()
    return out.model_copy(update={"network": digest(blob), "findings": tuple(told)}), {digest(blob): blob}


def _counts(solution: Solution) -> dict[int, int]:
    """Return in how many photos each target's sighting was used."""
    used, target = solution.adjusted.used, solution.network.target
    return {t: int((used & (target == i)).sum()) for i, t in enumerate(solution.index.targets)}


def _count_findings(counts: Mapping[int, int]) -> list[Finding]:
    return [_target_lost(t) for t, n in counts.items() if n == 0] + [
        _few_photos(t) for t, n in counts.items() if n == 1
    ]


def _target_lost(target: int) -> Finding:
    return Finding(
        code="target-lost",
        severity="warning",
        subject=f"target {target}",
        message=f"target {target}: every sighting was rejected; it is not measured. "
        "Check that it didn't move, and that its id is printed once only.",
    )


def _few_photos(target: int) -> Finding:
    return Finding(
        code="few-photos",
        severity="note",
        subject=f"target {target}",
        message=f"target {target} is used in one photo only; its place is weak. "
        "Take one more photo of it from the side.",
    )


def _accuracy_findings(accuracy: Accuracy) -> list[Finding]:
    out = []
    if accuracy.rms_px > POOR_RMS_PX:
        out.append(_network_poor(accuracy.rms_px))
    if accuracy.scale_source == "target sides":
        out.append(_scale_from_sides(100 * accuracy.scale_sd))
    return out


def _network_poor(rms_px: float) -> Finding:
    return Finding(
        code="network-poor",
        severity="fault",
        subject="network",
        message=f"the photos disagree by {rms_px:.1f} px rms (limit {POOR_RMS_PX:g} px): nothing measured in them can "
        "be trusted. Check that nothing moved between the photos, that the zoom wasn't touched and that no photo is "
        "edited or mirrored, and take them again.",
        numbers={"rms_px": rms_px},
    )


def _scale_from_sides(percent: float) -> Finding:
    return Finding(
        code="scale-from-sides",
        severity="warning",
        subject="scale",
        message=f"the scale comes from the printed target sides alone and may be {percent:.2f} % off (1 sigma). "
        "Add a scale card or type a measured distance.",
        numbers={"scale_sd_percent": percent},
    )


def _photos(
    scene: Scene,
    readings: Sequence[Reading],
    solution: Solution,
    without: Collection[str],
    missed: Mapping[str, tuple[int, ...]],
) -> tuple[Photo, ...]:
    """Return the scene's photos with their stations (none for those not joined), residuals, and what was read in them how well."""
    looked = {r.photo.name: _looked(r) for r in readings}
    out = []
    for photo in scene.photos:
        found = {} if photo.name in without else _station(photo.name, solution)
        none: dict[str, object] = {
            "camera_from_world": None,
            "rms_px": None,
            "refocus": 0.0,
            "targets_read": (),
        }
        none["targets_missed"] = missed.get(photo.name, ()) if found else ()
        out.append(photo.model_copy(update={**none, **found, **looked.get(photo.name, {})}))
    return tuple(out)


def _looked(reading: Reading) -> dict[str, object]:
    """Return what was seen of a photo by itself."""
    return {
        "targets_read": tuple(s.target for s in reading.sightings),
        "blur_px": None if reading.blur is None else reading.blur.along_px,
        "exposure": reading.exposure,
    }


def _station(photo: str, solution: Solution) -> dict[str, object]:
    """Return what the network says of a photo, nothing where it says nothing."""
    if photo not in solution.index.photos:
        return {}
    i, state = solution.index.photos.index(photo), solution.adjusted.state
    pose = Pose.of(Rigid[Camera, World](state.station_rotations[i], state.station_shifts[i]))
    mine = (solution.network.station == i) & solution.adjusted.used
    if not mine.any():  # nothing holds it: its pose would be noise
        return {}
    rms = float(np.sqrt((solution.adjusted.residuals_px[mine] ** 2).mean()))
    return {"camera_from_world": pose, "rms_px": rms, "refocus": float(state.refocus[i])}


def _lost(photo: Photo, solution: Solution) -> bool:
    return photo.name in solution.index.photos and photo.camera_from_world is None


def _photo_poor(photo: str) -> Finding:
    return Finding(
        code="photo-poor",
        severity="fault",
        subject=photo,
        message=f"{photo}: nothing in it fits the other photos and it is not used. Check that it is sharp, not "
        "mirrored, and shows the targets where the other photos show them.",
    )


def _lenses(scene: Scene, solution: Solution) -> tuple[Lens, ...]:
    rows, names = solution.adjusted.state.lenses, solution.index.lenses
    covariance = solution.adjusted.lens_covariance
    found = {}
    for i, name in enumerate(names):
        own = slice(LENS * i, LENS * (i + 1))
        found[name] = lens_of(name, rows[i], scene.lens(name), covariance[own, own])
    return tuple(found.get(lens.name, lens) for lens in scene.lenses)


def _target(target: int, i: int, count: int, printed: Print, solution: Solution) -> MeasuredTarget:
    state, columns = solution.adjusted.state, solution.adjusted.centre_columns(i)
    factor = float(state.factors[solution.network.batch[i]])
    return MeasuredTarget(
        id=target,
        side_mm=float(solution.network.sides_mm[i]) * factor,
        thickness_mm=printed.thickness_mm,
        world_from_target=Pose.of(Rigid(state.target_rotations[i], state.target_shifts[i])),
        covariance_mm2=cov3(solution.adjusted.centre_covariance[columns, columns]),
        seen_in=count,
    )


def _doubt(measured: Sequence[MeasuredTarget], solution: Solution) -> NetworkDoubt:
    adjusted, targets = solution.adjusted, solution.index.targets
    columns = np.concatenate([np.r_[adjusted.centre_columns(targets.index(m.id))] for m in measured])
    centres = np.array([m.world_from_target.shift_mm for m in measured])
    return NetworkDoubt(centres, adjusted.centre_covariance[np.ix_(columns, columns)])


def _accuracy(solution: Solution) -> Accuracy:
    adjusted = solution.adjusted
    residuals = adjusted.residuals_px[adjusted.used]
    columns = [adjusted.centre_columns(i) for i, n in enumerate(_counts(solution).values()) if n]
    sds = [float(np.sqrt(np.trace(adjusted.centre_covariance[c, c]) / 3)) for c in columns]
    return Accuracy(
        sigma0_px=adjusted.sigma0,
        rms_px=float(np.sqrt((residuals**2).mean())),
        redundancy=adjusted.redundancy,
        observations=int(residuals.size),
        rejected=int((~adjusted.used).sum()),
        scale_source="scale cards and distances" if solution.scale_known else "target sides",
        scale_sd=_scale_sd(solution),
        typical_sd_mm=float(np.median(sds)),
    )


def _scale_sd(solution: Solution) -> float:
    """Return the relative sd of the whole pattern's size: of the rms distance of the centres from their middle."""
    used = [i for i, n in enumerate(_counts(solution).values()) if n]
    centres = solution.adjusted.state.target_shifts[used]
    arms = centres - centres.mean(axis=0)
    columns = np.concatenate([np.r_[solution.adjusted.centre_columns(i)] for i in used])
    row = (arms / (arms**2).sum()).ravel()
    return float(np.sqrt(row @ solution.adjusted.centre_covariance[np.ix_(columns, columns)] @ row))
