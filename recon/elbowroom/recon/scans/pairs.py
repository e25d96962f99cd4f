"""Where a scan lies in the world: the rigid fit on pairs of places, what it doubts, and which pair is wrong."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import chdtri

from elbowroom.recon.picks.leastsquares import Adjusted, adjust
from elbowroom.recon.picks.rays import PointSolution, solve_point
from elbowroom.recon.picks.stations import NetworkDoubt, beyond_network
from elbowroom.recon.scans.file import UNIT_MM
from elbowroom.shared.arrays import Floats, Mat3, Points3
from elbowroom.shared.errors import Finding, InputError
from elbowroom.shared.frames import rotation_from_vector
from elbowroom.shared.scene import ScanTag, Scene

CHANCE = 1e-4
"""Pairs that agree less well than one honest set in 10 000 does are called wrong."""

LEAST_SPREAD = 0.05
"""Least ratio of the pairs' second spread to their first: below it they lie on a line and the scan can roll about it."""

FLAT_SPREAD = 0.02
"""Ratio of the third spread to the first below which pairs are flat: a mirrored scan fits flat pairs as well."""

SCALE_SIGMAS = 3.0
"""The pairs' own scale is reported when it is off by more than this many of its standard deviations."""

WRONG_UNIT = 1.5
"""Sizes that differ by more than this factor are no matter of doubt: the unit or the pairs are wrong."""

MIRRORED = 0.1
"""A mirror image that leaves less than this share of the squares shows that the scan's handedness is wrong."""


@dataclass(frozen=True, eq=False)
class Registration:
    """A scan's place: world = middle + scale rotation (scan - scan_middle).

    Parameters
    ----------
    rotation : Mat3
        (3, 3), world from scan.
    scale : float
        1 unless the pairs may change it.
    scan_middle, middle : Floats
        (3,) mm: the pairs' middle in the scan and where it comes to lie in the world.
    covariance : Floats
        (7, 7): turn rad about world axes through the middle, shift mm, logarithm of the scale.
    """

    rotation: Mat3
    scale: float
    scan_middle: Points3
    middle: Points3
    covariance: Floats

    def apply(self, points_scan: Points3) -> Points3:
        """Return world mm of scan points (n, 3) mm."""
        return self.middle + (points_scan - self.scan_middle) @ (self.scale * self.rotation.T)

    def covariance_at(self, point_world: Floats) -> Mat3:
        """Return the covariance (3, 3) mm² that the registration gives a scan point lying at `point_world` (3,) mm."""
        j = motion_jacobian(np.asarray(point_world)[None] - self.middle)[0]
        return np.asarray(j @ self.covariance @ j.T)

    def moved(self, motion: Floats, covariance: Floats) -> Registration:
        """Return the registration moved by a small motion (7,) as the covariance counts it, with a new covariance."""
        turn = rotation_from_vector(motion[:3])
        return Registration(
            turn @ self.rotation,
            self.scale * float(np.exp(motion[6])),
            self.scan_middle,
            self.middle + motion[3:6],
            covariance,
        )


@dataclass(frozen=True, eq=False)
class PairFit:
    """A registration on pairs, their world points (n, 3) mm, how far each is off (n,) mm, and what to know.

    `shared` says whether any of them hangs on the network of stations (typed coordinates don't).
    """

    registration: Registration
    points_world: Points3
    off_mm: Floats
    shared: bool
    findings: tuple[Finding, ...]


def motion_jacobian(arms: Points3) -> Floats:
    """Return d(point)/d(turn, shift, log scale), (n, 3, 7), of points `arms` (n, 3) mm from the middle."""
    out = np.zeros((len(arms), 3, 7))
    x, y, z = arms.T
    out[:, 0, 1], out[:, 0, 2] = z, -y
    out[:, 1, 0], out[:, 1, 2] = -z, x
    out[:, 2, 0], out[:, 2, 1] = y, -x
    out[:, :, 3:6] = np.eye(3)
    out[:, :, 6] = arms
    return out


def solve_pairs(tag: ScanTag, scene: Scene, *, network: NetworkDoubt | None = None) -> PairFit:
    """Return where a tag's pairs lay its scan, its scale 1 or, with `scale_free`, as the pairs have it.

    Each pair weighs by its own doubt: that of its world point and `pair_sd_mm`. The network's part, common to
    neighbouring points, moves the scan with everything else and is not in this covariance.

    Raises
    ------
    InputError
        A point that can't be solved, pairs on a line, a size that says another unit, a mirrored scan.
    """
    solved = [
        solve_point(p.world, scene, tag.pick_sd_px, network=network, where=f"pair {i + 1}")
        for i, p in enumerate(tag.pairs)
    ]
    scan = np.array([p.scan for p in tag.pairs], dtype=np.float64) * UNIT_MM[tag.unit]
    world = np.array([s.point_world for s in solved])
    covariances = np.array([own_covariance(s, network) for s in solved]) + tag.pair_sd_mm**2 * np.eye(3)
    _check_spread(scan, "scan")
    _check_spread(world, "world")
    _check_unit(scan, world, tag.unit)
    fit = fit_pairs(scan, world, covariances, scale_free=tag.scale_free)
    found = tuple(f for s in solved for f in s.findings)
    found += _scale_findings(scan, world, covariances, tag)
    registration, wrong = _judged(fit, scan, world, covariances, tag)
    off = np.linalg.norm(registration.apply(scan) - world, axis=1)
    shared = any(p.world.world_mm is None for p in tag.pairs)
    return PairFit(registration, world, off, shared, (*found, *wrong, *_few_findings(scan, tag)))


def own_covariance(solved: PointSolution, network: NetworkDoubt | None) -> Mat3:
    """Return the part (3, 3) mm² of a point's doubt that it does not share with its neighbours."""
    return solved.pick_covariance + beyond_network(solved.station_covariance, solved.point_world, network)


@dataclass(frozen=True, eq=False)
class RigidFit:
    """A weighted fit of pairs: the registration, and the squares of its whitened residuals with their freedom."""

    registration: Registration
    squares: float
    freedom: int


def fit_pairs(scan: Points3, world: Points3, covariances: Floats, *, scale_free: bool) -> RigidFit:
    """Return the motion that lays scan points (n, 3) mm on world points (n, 3) mm of covariances (n, 3, 3) mm².

    Begins with the closed form, weights the inverse mean variances, then least squares with the full covariances.

    Source: Horn 1987 and Umeyama 1991 for the closed form (from memory).
    """
    weights = 1.0 / np.trace(covariances, axis1=1, axis2=2)
    weights /= weights.sum()
    scan_middle, middle = weights @ scan, weights @ world
    arms = scan - scan_middle
    rotation = _rotation(arms, world - middle, weights)
    start = Registration(rotation, 1.0, scan_middle, middle, np.zeros((7, 7)))
    units = _units(arms, 7 if scale_free else 6)
    whiteners = np.linalg.inv(np.linalg.cholesky(covariances))

    def residuals(unknowns: Floats) -> Floats:
        off = start.moved(_padded(unknowns * units), start.covariance).apply(scan) - world
        return np.einsum("nij,nj->ni", whiteners, off).ravel()  # n: pair, i j: coordinates

    fit = adjust(residuals, np.zeros(len(units)), where="pairs")
    covariance = np.zeros((7, 7))
    covariance[: len(units), : len(units)] = _in_world(fit, units)
    registration = start.moved(_padded(fit.unknowns * units), covariance)
    return RigidFit(registration, float(fit.residuals @ fit.residuals), 3 * len(scan) - len(units))


def _rotation(arms: Points3, onto: Points3, weights: Floats) -> Mat3:
    left, _, right = np.linalg.svd((onto * weights[:, None]).T @ arms)
    return np.asarray(left @ np.diag([1.0, 1.0, np.sign(np.linalg.det(left @ right))]) @ right)


def _units(arms: Points3, count: int) -> Floats:
    """Return what 1 of each unknown is: turns and scale move the pairs by about 1 mm, shifts by 1 mm."""
    reach = max(float(np.sqrt((arms**2).sum(axis=1).mean())), 1.0)
    return np.array([1 / reach] * 3 + [1.0] * 3 + [1 / reach])[:count]


def _padded(motion: Floats) -> Floats:
    return np.concatenate([motion, np.zeros(7 - len(motion))])


def _in_world(fit: Adjusted, units: Floats) -> Floats:
    """The turn found is far below a radian, so a further turn adds to it."""
    return np.asarray(fit.cofactor * np.outer(units, units))


# --- what can be wrong ---------------------------------------------------------------------------------------


def _check_spread(points: Points3, which: str) -> None:
    spread = np.linalg.svd(points - points.mean(axis=0), compute_uv=False)
    if spread[1] < LEAST_SPREAD * spread[0] or spread[0] == 0:
        raise InputError(
            f"the pairs lie on one line in the {which} and leave the scan free to roll about it",
            value=f"spread {spread[1]:.2f} mm beside {spread[0]:.2f} mm",
            limit=f"{LEAST_SPREAD:.0%}",
            todo="add a pair to the side",
        )


def _check_unit(scan: Points3, world: Points3, unit: str) -> None:
    """Refuse pairs that are of another size altogether, naming the unit they would fit in."""
    ratio = float(np.linalg.norm(world - world.mean(axis=0)) / np.linalg.norm(scan - scan.mean(axis=0)))
    if 1 / WRONG_UNIT < ratio < WRONG_UNIT:
        return
    near = {u: abs(np.log(ratio * UNIT_MM[unit] / mm)) for u, mm in UNIT_MM.items()}
    best = min(near, key=lambda u: near[u])
    told = f"say unit: {best}" if near[best] < 0.1 else "check that each pair is one and the same place"
    raise InputError(
        f"the pairs do not fit a scan in {unit}",
        value=f"world over scan {ratio:.4g}",
        limit=f"1 / {WRONG_UNIT:g} to {WRONG_UNIT:g}",
        todo=told,
    )


def _scale_findings(scan: Points3, world: Points3, covariances: Floats, tag: ScanTag) -> tuple[Finding, ...]:
    free = fit_pairs(scan, world, covariances, scale_free=True)
    sd = float(np.sqrt(free.registration.covariance[6, 6] * max(1.0, free.squares / free.freedom)))
    percent = 100 * (free.registration.scale - 1)
    if not tag.scale_free and abs(percent) <= 100 * SCALE_SIGMAS * sd:
        return ()
    kept = (
        "the pairs' size is taken"
        if tag.scale_free
        else "its own size is kept; if the pairs are right, say scale_free"
    )
    message = (
        f"scan {tag.name}: the pairs say it should be {percent:+.2f} % larger (sd {100 * sd:.2f} %); {kept}"
    )
    numbers = {"scale": free.registration.scale, "scale_sd": sd}
    severity = "note" if tag.scale_free else "warning"
    return (scan_finding("scale", severity, tag, message, numbers),)


def _judged(
    fit: RigidFit, scan: Points3, world: Points3, covariances: Floats, tag: ScanTag
) -> tuple[Registration, tuple[Finding, ...]]:
    """Return the registration, its covariance raised when the pairs disagree, and the finding on the wrong pair."""
    if fit.squares <= chdtri(fit.freedom, CHANCE):
        return fit.registration, ()
    _check_handed(fit, scan, world, covariances)
    raised = fit.registration.covariance * fit.squares / fit.freedom
    worse = fit.registration.moved(np.zeros(7), raised)
    off = np.linalg.norm(fit.registration.apply(scan) - world, axis=1)
    suspects = _suspects(scan, world, covariances, tag.scale_free)
    if len(suspects) != 1:
        worst = int(off.argmax())
        message = (
            f"scan {tag.name}: the pairs disagree by up to {off[worst]:.1f} mm (pair {worst + 1}), more than their doubt "
            f"allows; {_whom(suspects, len(off))}. Pick them again, or add one"
        )
        return worse, (scan_finding("pairs-off", "fault", tag, message, {"off_mm": float(off[worst])}),)
    pair, miss = suspects[0]
    message = (
        f"scan {tag.name}: pair {pair + 1} misses the place that all the others agree on by {miss:.1f} mm; pick it again "
        "in the scan and in the photos, or take it out"
    )
    return worse, (scan_finding("pair-wrong", "fault", tag, message, {"pair": pair + 1.0, "off_mm": miss}),)


def _whom(suspects: list[tuple[int, float]], count: int) -> str:
    if suspects:
        either = " or ".join(f"{i + 1} ({miss:.1f} mm off the others)" for i, miss in suspects)
        return f"it may be pair {either}"
    return "with three pairs any of them may be wrong" if count == 3 else "no single one explains it"


def _check_handed(fit: RigidFit, scan: Points3, world: Points3, covariances: Floats) -> None:
    mirror = np.array([1.0, 1.0, -1.0])
    spread = np.linalg.svd(scan - scan.mean(axis=0), compute_uv=False)
    if spread[2] < FLAT_SPREAD * spread[0]:
        return
    other = fit_pairs(scan * mirror, world, covariances, scale_free=False)
    if other.squares < MIRRORED * fit.squares:
        raise InputError(
            "the pairs fit the scan's mirror image, not the scan",
            todo="export it with right-handed axes (one axis is turned over, or two are swapped)",
        )


def _suspects(
    scan: Points3, world: Points3, covariances: Floats, scale_free: bool
) -> list[tuple[int, float]]:
    """Return the pairs without which all others agree, and how far (mm) each misses the place those give it."""
    found = []
    for i in range(len(scan) if len(scan) > 3 else 0):
        rest = np.arange(len(scan)) != i
        try:
            _check_spread(scan[rest], "scan")
        except InputError:
            continue  # the others lie on a line and say nothing about this one
        fit = fit_pairs(scan[rest], world[rest], covariances[rest], scale_free=scale_free)
        if fit.squares <= chdtri(fit.freedom, CHANCE):
            found.append((i, float(np.linalg.norm(fit.registration.apply(scan[i][None])[0] - world[i]))))
    return found


def _few_findings(scan: Points3, tag: ScanTag) -> tuple[Finding, ...]:
    spread = np.linalg.svd(scan - scan.mean(axis=0), compute_uv=False)
    if len(scan) > 3 and spread[2] >= FLAT_SPREAD * spread[0]:
        return ()
    message = (
        f"scan {tag.name}: {len(scan)} pairs in one plane can't show a mirrored scan"
        + (", nor which of them is wrong" if len(scan) == 3 else "")
        + "; add a pair off that plane"
    )
    return (scan_finding("pairs-few", "warning", tag, message, {"pairs": float(len(scan))}),)


def scan_finding(code: str, severity: str, tag: ScanTag, message: str, numbers: dict[str, float]) -> Finding:
    """Return a finding on a scan, of the tags' family of codes."""
    return Finding.model_validate(
        {
            "code": f"tag-scan-{code}",
            "severity": severity,
            "subject": f"scan {tag.name}",
            "message": message,
            "numbers": numbers,
        }
    )
