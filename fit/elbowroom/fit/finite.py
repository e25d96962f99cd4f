"""Linear finite elements of a flat plate: stretching in its plane and bending out of it, on curved quadratic triangles.

In plane it is plane stress. Out of plane the plate is shear-flexible (Reissner and Mindlin), so that moments at a hole's
edge depend on its diameter over the thickness as they do in steel. The shear term is integrated at three points, which
keeps thin plates from locking. Signs: a point at height z above the middle moves by z times the turn (bx, by) in x and
y; loads act at the middle.

Source: S. Timoshenko, J. N. Goodier, Theory of Elasticity, plane stress; R. D. Mindlin, Influence of rotatory inertia
and shear on flexural motions of isotropic, elastic plates, J. Appl. Mech. 18 (1951), with the shear factor 5/6 of E.
Reissner (1945); O. C. Zienkiewicz, J. Z. Zhu (1987) for the error as averaged against own stress.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.sparse import csc_array
from scipy.sparse.linalg import splu

from elbowroom.fit.mesh import TriangleMesh
from elbowroom.shared.arrays import Floats, Points2, check_positive
from elbowroom.shared.errors import InputError
from elbowroom.shared.outline_pieces import PieceTable, piece_distances

SHEAR_FACTOR = 5 / 6
"""Share of the section that carries shear (Reissner)."""

GAUSS = 6
"""Gauss points along a loaded edge: the pressure of a bolt ends in the middle of an edge, with a kink."""

Rows = npt.NDArray[np.intp]
Traction = Callable[[Floats], Floats]
"""Given places (2, ...) mm, returns (3, ...) N per mm of edge along x, y and z."""


@dataclass(frozen=True, kw_only=True)
class Sheet:
    """What the plate is of: thickness mm, elastic modulus MPa, Poisson's ratio."""

    thickness_mm: float
    modulus_mpa: float
    poisson: float = 0.3

    def plane_matrix(self) -> Floats:
        """Return the plane-stress matrix (3, 3), MPa, for strains xx, yy and the sheared angle xy."""
        nu = self.poisson
        return self.modulus_mpa / (1 - nu**2) * np.array([[1, nu, 0], [nu, 1, 0], [0, 0, (1 - nu) / 2]])

    def shear_mpa(self) -> float:
        """Return the shear modulus, MPa."""
        return self.modulus_mpa / (2 * (1 + self.poisson))


@dataclass(frozen=True, eq=False)
class EdgeLoad:
    """A line load on boundary edges: rows of `PlateElements.edges`, and N per mm at each place."""

    edges: Rows
    traction: Traction


@dataclass(frozen=True, eq=False)
class Solution:
    """What the plate does, at the mesh's corners.

    moved : Floats
        (n, 5): shift in x, y, z mm, and the turns bx, by rad.
    membrane, bending : Floats
        (n, 3) MPa, averaged: stress xx, yy, xy at the middle, and what the top face (z = +t/2) has besides.
    rough : Floats
        (m, 3, 6) MPa: each triangle's own stress at its corners less the averaged one, membrane then bending.
    strain_energy : float
        N mm.
    """

    moved: Floats
    membrane: Floats
    bending: Floats
    rough: Floats
    strain_energy: float

    def von_mises(self) -> Floats:
        """Return the larger of both faces' equivalent stress (n,), MPa.

        Source: R. von Mises (1913), plane stress.
        """
        return np.maximum(von_mises(self.membrane + self.bending), von_mises(self.membrane - self.bending))


def von_mises(stress: Floats) -> Floats:
    """Return the equivalent stress of plane stresses (..., 3) xx, yy, xy."""
    xx, yy, xy = stress[..., 0], stress[..., 1], stress[..., 2]
    return np.sqrt(np.maximum(xx**2 - xx * yy + yy**2 + 3 * xy**2, 0.0))


class PlateElements:
    """Curved quadratic triangles over a mesh, ready to be loaded.

    Parameters
    ----------
    mesh : TriangleMesh
    arcs : PieceTable
        The true boundary: middles of boundary edges that lie on its arcs are moved onto them.
    """

    def __init__(self, mesh: TriangleMesh, arcs: PieceTable) -> None:
        from skfem import MeshTri, MeshTri2

        self.straight = MeshTri(mesh.nodes.T.copy(), mesh.triangles.T.copy())
        self.mesh = TriangleMesh(mesh.nodes, np.array(self.straight.t.T, dtype=np.int64))
        self.edges = np.asarray(self.straight.boundary_facets())
        curved = MeshTri2.from_mesh(self.straight)
        self.curved = _bent(curved, self.straight, self.edges, arcs)

    @property
    def ends(self) -> Floats:
        """Both ends of each boundary edge (k, 2, 2) mm, in the order of `edges`."""
        return self.straight.p.T[self.straight.facets[:, self.edges].T]

    def solve(self, sheet: Sheet, held: Rows, loads: Sequence[EdgeLoad]) -> Solution:
        """Return how the plate moves and is stressed with the boundary edges `held` fixed in shift and turn.

        Raises
        ------
        InputError
            When nothing is held, or the sheet has no thickness or stiffness.
        """
        check_positive(sheet.thickness_mm, where="plate thickness")
        check_positive(sheet.modulus_mpa, where="elastic modulus")
        if not len(held):
            raise InputError(
                "the plate is held nowhere", where="supports", todo="name a weld edge or hole that holds it"
            )
        plane, plane_work = self._part(2, _plane_stiffness(sheet), held, loads)
        bent, bent_work = self._part(3, _bending_stiffness(sheet), held, loads)
        membrane, own_m = self._stress(plane, sheet.plane_matrix())
        half = sheet.thickness_mm / 2
        bending, own_b = self._stress(bent[:, 1:], half * sheet.plane_matrix())
        corners = len(self.mesh.nodes)
        moved = np.column_stack([plane[:corners], bent[:corners]])
        smooth = np.dstack([membrane[self.mesh.triangles], bending[self.mesh.triangles]])
        own = np.dstack([own_m, own_b])
        return Solution(moved, membrane, bending, own - smooth, 0.5 * (plane_work + bent_work))

    def _part(
        self, count: int, forms: Sequence[tuple[Any, int]], held: Rows, loads: Sequence[EdgeLoad]
    ) -> tuple[Floats, float]:
        """Return the shifts (points, count) of the in-plane (2) or bending (3) part and the work of its loads."""
        from skfem import Basis, ElementTriP2, ElementVector

        element = ElementVector(ElementTriP2(), count)
        basis = Basis(self.curved, element, intorder=4)
        force = sum((self._force(basis, load) for load in loads), start=np.zeros(basis.N))
        values = np.zeros(basis.N)
        if np.abs(force).max() > 0:
            stiffness = sum(
                form.assemble(basis if order == 4 else Basis(self.curved, element, intorder=order))
                for form, order in forms
            )
            fixed = basis.get_dofs(facets=self.edges[held]).flatten()
            free = np.setdiff1d(np.arange(basis.N), fixed)
            values[free] = splu(
                csc_array(stiffness[free][:, free]),
                permc_spec="MMD_AT_PLUS_A",
                options={"SymmetricMode": True},
            ).solve(force[free])
        out = np.column_stack(
            [np.concatenate([values[basis.nodal_dofs[k]], values[basis.facet_dofs[k]]]) for k in range(count)]
        )
        return out, float(values @ force)

    def _force(self, basis: Any, load: EdgeLoad) -> Floats:
        """Return the forces on the basis's unknowns: an edge's own quadratic shape, six Gauss points along it.

        Own integration instead of the library's: its way back from place to element stops at an absolute 1e-12.
        """
        facets = self.edges[load.edges]
        ends, middle = self.straight.facets[:, facets], self.straight.p.shape[1] + facets
        corners = self.curved.doflocs[:, np.vstack([ends, middle])]  # (2, 3, edges)
        s, weights = np.polynomial.legendre.leggauss(GAUSS)
        shape = np.stack([s * (s - 1) / 2, s * (s + 1) / 2, 1 - s**2])
        slope = np.stack([s - 0.5, s + 0.5, -2 * s])
        places = np.einsum("xie,iq->xeq", corners, shape)  # axis, corner or middle, edge, Gauss point
        run = np.hypot(*np.einsum("xie,iq->xeq", corners, slope))
        pull = load.traction(places)
        count = len(basis.nodal_dofs)
        out = np.zeros(basis.N)
        for k, part in enumerate(pull[:2] if count == 2 else pull[2:]):
            share = np.einsum("eq,eq,q,iq->ie", part, run, weights, shape)
            dofs = np.vstack([basis.nodal_dofs[k][ends], basis.facet_dofs[k][facets]])
            np.add.at(out, dofs, share)
        return out

    def _stress(self, moved: Floats, matrix: Floats) -> tuple[Floats, Floats]:
        """Return stress averaged at corners (n, 3), and each triangle's own at its corners (m, 3, 3).

        Taken at the three inner points where quadratic triangles are best, and carried on linearly to the corners.
        """
        from skfem import Basis, ElementTriP2, ElementVector

        basis = Basis(self.curved, ElementVector(ElementTriP2(), 2), intorder=2)
        values = np.zeros(basis.N)
        corners = len(self.mesh.nodes)
        for k in range(2):
            values[basis.nodal_dofs[k]], values[basis.facet_dofs[k]] = moved[:corners, k], moved[corners:, k]
        slope = basis.interpolate(values).grad
        strain = np.stack([slope[0, 0], slope[1, 1], slope[0, 1] + slope[1, 0]])
        x, y = basis.quadrature[0]
        to_corners = np.linalg.inv(np.column_stack([1 - x - y, x, y]))
        own = np.einsum(
            "cq,sk,kmq->mcs", to_corners, matrix, strain
        )  # corner, point, stress, strain, triangle
        weights = basis.dx.sum(axis=1)
        total, count = np.zeros((corners, 3)), np.zeros(corners)
        for c in range(3):
            np.add.at(total, self.mesh.triangles[:, c], own[:, c] * weights[:, None])
            np.add.at(count, self.mesh.triangles[:, c], weights)
        return total / count[:, None], own


def _bent(curved: Any, straight: Any, edges: Rows, arcs: PieceTable) -> Any:
    """Return the mesh with the middles of boundary edges moved onto the arcs they belong to."""
    from dataclasses import replace

    places = curved.doflocs.copy()
    rows = straight.p.shape[1] + edges
    places[:, rows] = snapped(places[:, rows].T, arcs).T
    return replace(curved, doflocs=places)


def snapped(points: Points2, table: PieceTable) -> Points2:
    """Return boundary points (k, 2) that lie near an arc moved onto it, the others as they are."""
    out = points.copy()
    nearest = piece_distances(points, table).argmin(axis=1)
    rows = np.flatnonzero(table.arcs[nearest])
    centre, radius = table.centres[nearest[rows]], table.radii[nearest[rows]]
    away = points[rows] - centre
    out[rows] = centre + away * (radius / np.hypot(away[:, 0], away[:, 1]))[:, None]
    return out


def _plane_stiffness(sheet: Sheet) -> list[tuple[Any, int]]:
    from skfem import BilinearForm

    c = sheet.thickness_mm * sheet.plane_matrix()

    def stretch(u: Any, v: Any, w: Any) -> Any:
        return _strain_work(u.grad[0], u.grad[1], v.grad[0], v.grad[1], c)

    return [(BilinearForm(stretch), 4)]


def _bending_stiffness(sheet: Sheet) -> list[tuple[Any, int]]:
    """Return the bending and shear terms of (w, bx, by) with the degree each is integrated to."""
    from skfem import BilinearForm

    c = sheet.thickness_mm**3 / 12 * sheet.plane_matrix()
    shear = SHEAR_FACTOR * sheet.shear_mpa() * sheet.thickness_mm

    def bend(u: Any, v: Any, w: Any) -> Any:
        return _strain_work(u.grad[1], u.grad[2], v.grad[1], v.grad[2], c)

    def slide(u: Any, v: Any, w: Any) -> Any:
        gx, gy = u.grad[0, 0] + u[1], u.grad[0, 1] + u[2]
        return shear * (gx * (v.grad[0, 0] + v[1]) + gy * (v.grad[0, 1] + v[2]))

    return [(BilinearForm(bend), 4), (BilinearForm(slide), 2)]


def _strain_work(ux: Any, uy: Any, vx: Any, vy: Any, c: Floats) -> Any:
    """Return strain of v times stress of u for gradients of their x and y parts."""
    exx, eyy, exy = ux[0], uy[1], ux[1] + uy[0]
    sxx, syy, sxy = c[0, 0] * exx + c[0, 1] * eyy, c[1, 0] * exx + c[1, 1] * eyy, c[2, 2] * exy
    return sxx * vx[0] + syy * vy[1] + sxy * (vx[1] + vy[0])
