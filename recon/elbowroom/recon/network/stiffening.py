"""Whether a weak network is stiffened by tie points: tried when it is weak, kept when it helps and does no harm.

What counts is how sure the pattern's shape is, its size aside, which ties know nothing of. Ties are tried when that sd is
over `WEAK_MM`, or where a photo holds on fewer than `FEW` targets or the network on fewer than `FEW_IN_ALL`. They are kept when it falls by a tenth and the targets stay where they were, as far as both results can tell;
dropped with a note otherwise. The ties' own doubt is taken from their residuals: they weigh no more than they are worth.

Source: F. R. Helmert 1907 (variance components, from memory); J. A. Hausman, Specification tests in econometrics, 1978
(two estimates of the same, one of which uses more: their difference has the difference of their covariances).
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np
from scipy.stats import chi2

from elbowroom.recon.network.adjust import LEAST_UNIT, Adjusted
from elbowroom.recon.network.equations import Network, point_sightings
from elbowroom.recon.network.keypoints import keypoints
from elbowroom.recon.network.similarity import shape_alone
from elbowroom.recon.network.solution import Solution, adjusted_network
from elbowroom.recon.network.spotrays import both_of
from elbowroom.recon.network.ties import Ties, View, find_ties
from elbowroom.recon.reading.readings import Reading
from elbowroom.shared.arrays import Bools, Floats, Image
from elbowroom.shared.errors import Finding, SolveError
from elbowroom.shared.scene import Photo

FEW, FEW_IN_ALL = 4, 6
"""Targets a photo, and the network, should have at least."""

WEAK_MM = 0.05
"""Sd of the pattern's shape that needs no help: below what a plate is cut to (0.1 mm)."""

LEAST_TIES = 12
"""Fewer ties than this say nothing of themselves, let alone of the network."""

LEAST_SD_PX = 0.3
"""No tie is believed better than this: a spot on a rounded or shiny thing wanders with the view."""

WORTH, FAR_BETTER = 0.9, 0.5
"""The sd must fall below this share of what it was; below the second, ties are looked for again from better stations."""

CHANCE = 0.001
"""Ties are dropped when the targets move more than they would so rarely."""

LEAST_SHARE = 0.1
"""Share of the first result's variance below which the change in a direction isn't believed to be known."""

ROUNDS, SETTLED = 4, 0.05
"""Rounds in which the ties' doubt is found, and the change of it that is small enough."""

Cancelled = Callable[[], bool]


@dataclass(frozen=True, eq=False)
class Trial:
    """A network with ties, and the ties' doubt (px) and number."""

    solution: Solution
    sd_px: float
    ties: int


def stiffened(
    solution: Solution,
    readings: Sequence[Reading],
    joined: Sequence[Reading],
    image_of: Callable[[Photo], Image],
    *,
    cancelled: Cancelled | None = None,
) -> Solution:
    """Return the network with tie points where they help; as it was, where not, and a finding that says which.

    Parameters
    ----------
    solution : Solution
        The adjusted network.
    readings, joined : sequence of Reading
        All that was read, which ties keep off; the readings the network was made of, in its order.
    image_of : callable
        Gives a photo's grey pixels.

    Raises
    ------
    SolveError
        When cancelled.
    """
    if not is_weak(solution):
        return solution
    return tried(solution, readings, joined, image_of, cancelled=cancelled)


def tried(
    solution: Solution,
    readings: Sequence[Reading],
    joined: Sequence[Reading],
    image_of: Callable[[Photo], Image],
    *,
    cancelled: Cancelled | None = None,
) -> Solution:
    """Return the network with tie points where they help, weak or not; as `stiffened`."""
    views = _views(solution, readings, joined, image_of, cancelled)
    trial = _trial(solution, solution, views, cancelled)
    if trial is not None and shape_sd(trial.solution.adjusted) < FAR_BETTER * shape_sd(solution.adjusted):
        trial = _trial(solution, trial.solution, views, cancelled) or trial
    return judged(solution, trial)


def _trial(
    solution: Solution, near: Solution, views: Sequence[View], cancelled: Cancelled | None
) -> Trial | None:
    """Return the network with the ties that are found by the stations of one near it."""
    ties = find_ties(views, near.adjusted.state, near.network)
    return None if ties is None else weighed(solution, ties, near, cancelled=cancelled)


def is_weak(solution: Solution) -> bool:
    """Return whether a network is worth the time that ties take."""
    used, network = solution.adjusted.used, solution.network
    in_photo = np.bincount(network.station[used])
    seen = in_photo[in_photo > 0]
    few = len(np.unique(network.target[used])) < FEW_IN_ALL or seen.min() < FEW
    return bool(few or shape_sd(solution.adjusted) > WEAK_MM)


def shape_sd(adjusted: Adjusted) -> float:
    """Return the median over all measured targets of their centre's sd (mm, rms of the three axes), the size aside."""
    arms, covariance, _ = _known_centres(adjusted)
    lever = shape_alone(arms)
    variances = np.diag(lever @ covariance @ lever).reshape(-1, 3).mean(axis=1)
    return float(np.sqrt(np.median(variances)))


def _known_centres(adjusted: Adjusted) -> tuple[Floats, Floats, Bools]:
    """Return centres (n, 3) mm and covariance (3n, 3n) of the targets that were measured, and which these are (t,)."""
    seen = np.asarray(np.isfinite(np.diag(adjusted.centre_covariance)).reshape(-1, 3).all(axis=1))
    rows = np.repeat(seen, 3)
    return adjusted.state.target_shifts[seen], adjusted.centre_covariance[np.ix_(rows, rows)], seen


def _views(
    solution: Solution,
    readings: Sequence[Reading],
    joined: Sequence[Reading],
    image_of: Callable[[Photo], Image],
    cancelled: Cancelled | None,
) -> list[View]:
    """Return the network's photos with their spots, which keep off every target that was read."""
    quads = {r.photo.name: [s.corners.corners_px for s in r.sightings] for r in readings}

    def view(i: int) -> View:
        if cancelled is not None and cancelled():
            raise SolveError("cancelled", where="tie points", todo="start the measurement again when ready")
        photo = joined[i].photo
        spots = keypoints(image_of(photo), quads.get(photo.name, ()))
        size = np.array([photo.width_px, photo.height_px], dtype=np.float64)
        return View(solution.index.lenses.index(joined[i].lens), i, size, spots)

    with ThreadPoolExecutor(max(1, os.cpu_count() or 1)) as pool:
        return list(pool.map(view, range(len(joined))))


def weighed(
    solution: Solution, ties: Ties, near: Solution | None = None, *, cancelled: Cancelled | None = None
) -> Trial | None:
    """Return the network adjusted with ties that weigh as their own residuals say, None when it finds no answer.

    The ties' reduced chi-square comes out as the corners' did without them. First values are those of the network, or of
    one `near` it.
    """
    if len(ties.points_world) < LEAST_TIES:
        return None
    before, network = solution.adjusted, solution.network
    own, unit = len(network.picks), max(before.sigma0, LEAST_UNIT)
    named = len(before.state.points)
    picks = both_of(network.picks, ties.picks, named)
    first = (near or solution).adjusted.state
    state = replace(
        first,
        points=np.vstack([first.points[:named], ties.points_world]),
        refocus=np.zeros_like(first.refocus),
    )
    free = replace(network, lens_held=np.zeros_like(network.lens_held), refocus_sd=0.0)
    sd_px = max(ties.unit_px, LEAST_SD_PX)
    for _ in range(ROUNDS):
        sds = np.where(np.arange(len(picks)) < own, picks.sds_px, sd_px / unit)
        try:
            weighted = replace(free, picks=replace(picks, sds_px=sds))
            adjusted, found = adjusted_network(state, weighted, (), cancelled=cancelled)
        except SolveError:
            if cancelled is not None and cancelled():
                raise
            return None
        last, sd_px = sd_px, max(_sd_px(adjusted, found, own), LEAST_SD_PX)
        if abs(sd_px / last - 1) < SETTLED:
            break
    count = len(np.unique(picks.point[own:][adjusted.used_picks[own:]]))
    made = replace(solution, adjusted=_no_surer(adjusted, before), network=found)
    return Trial(made, sd_px, count) if count >= LEAST_TIES else None


def _sd_px(adjusted: Adjusted, network: Network, own: int) -> float:
    """Return the ties' sd as their residuals show it; a point takes three of its sightings' freedoms."""
    used = adjusted.used_picks.copy()
    used[:own] = False
    off = point_sightings(adjusted.state, network)[0][used]
    freedoms = 2 * int(used.sum()) - 3 * len(np.unique(network.picks.point[used]))
    return float(np.sqrt((off**2).sum() / max(freedoms, 1)))


def _no_surer(adjusted: Adjusted, before: Adjusted) -> Adjusted:
    """Return the result with no less doubt of the corners than they had by themselves, however well the ties fit."""
    share = max(before.sigma0 / max(adjusted.sigma0, 1e-12), 1.0)
    return replace(
        adjusted,
        sigma0=adjusted.sigma0 * share,
        centre_covariance=adjusted.centre_covariance * share**2,
        lens_covariance=adjusted.lens_covariance * share**2,
        factor_covariance=adjusted.factor_covariance * share**2,
        refocus_sds=adjusted.refocus_sds * share,
    )


def judged(solution: Solution, trial: Trial | None) -> Solution:
    """Return the network with ties if these help and do no harm, else as it was, and a finding that says which."""
    if trial is None:
        return _told(solution, "ties-none", "too few tie points were found to stiffen it; add targets", {})
    before, after = solution.adjusted, trial.solution.adjusted
    a, b = shape_sd(before), shape_sd(after)
    numbers = {"before_mm": a, "after_mm": b, "ties": float(trial.ties), "tie_sd_px": trial.sd_px}
    if np.isnan(after.centre_covariance).sum() > np.isnan(before.centre_covariance).sum():
        return _told(
            solution, "ties-dropped", "tie points were tried but a target was lost with them", numbers
        )
    if not b <= WORTH * a:
        text = f"{trial.ties} tie points were tried and left out: typical sd {b:.4f} mm with them, {a:.4f} mm without (scale aside)"
        return _told(solution, "ties-dropped", text, numbers)
    squares, freedoms, most = change_of(before, after)
    numbers |= {"moved_mm": most, "chi_square": squares, "freedoms": float(freedoms)}
    if squares > chi2.ppf(1 - CHANCE, freedoms):
        text = (
            f"{trial.ties} tie points were tried and left out: they move targets by up to {most:.3f} mm, more than "
            f"the doubt allows (chi-square {squares:.0f} with {freedoms} freedoms); something may have moved"
        )
        return _told(solution, "ties-dropped", text, numbers)
    text = (
        f"{trial.ties} tie points stiffen the network: typical sd from {a:.4f} to {b:.4f} mm "
        f"(scale aside; each tie good to {trial.sd_px:.1f} px)"
    )
    return _told(trial.solution, "ties-kept", text, numbers)


def _told(solution: Solution, code: str, text: str, numbers: dict[str, float]) -> Solution:
    message = text if code == "ties-kept" else f"the network is weak, and {text}"
    finding = Finding(code=code, severity="note", subject="network", message=message, numbers=numbers)
    return replace(solution, findings=[*solution.findings, finding])


def change_of(before: Adjusted, after: Adjusted) -> tuple[float, int, float]:
    """Return the chi-square of the centres' change, its freedoms, and the largest change in mm.

    The later result uses all that the first does and more, so the covariance of the change is that of the first less that
    of the second.
    """
    centres, covariance, seen = _known_centres(before)
    moved = _laid_on(after.state.target_shifts[seen], centres) - centres
    rows = np.repeat(seen, 3)
    less = after.centre_covariance[np.ix_(rows, rows)]
    values, axes = np.linalg.eigh(covariance)
    known = values > 1e-9 * values[-1]  # the six of the datum have none
    white = axes[:, known] / np.sqrt(values[known])
    shares, turned = np.linalg.eigh(white.T @ (covariance - less) @ white)
    off = turned.T @ (white.T @ moved.ravel())
    squares = float((off**2 / np.maximum(shares, LEAST_SHARE)).sum())
    return squares, int(known.sum()), float(np.linalg.norm(moved, axis=1).max())


def _laid_on(points: Floats, onto: Floats) -> Floats:
    """Return points (n, 3) turned and shifted on others as well as can be (least squares)."""
    middle, there = points.mean(axis=0), onto.mean(axis=0)
    u, _, vt = np.linalg.svd((points - middle).T @ (onto - there))
    turn = u @ np.diag([1, 1, np.sign(np.linalg.det(u @ vt))]) @ vt
    return np.asarray((points - middle) @ turn + there)
