"""How far a place in the world may be off because the network is.

The network's error is smooth: near a place it is well described by an affine map of the target centres' errors. The
weights of that map at a place, times the centres' joint covariance, give the place's covariance; far outside the
targets it grows as an extrapolation must.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from elbowroom.shared.arrays import Floats, Mat3, Points3
from elbowroom.shared.media import arrays_bytes, read_arrays


@dataclass(frozen=True, eq=False)
class NetworkDoubt:
    """Target centres (n, 3) mm, world, and their joint covariance (3n, 3n) mm²."""

    centres_world: Points3
    covariance_mm2: Floats

    def weights(self, point_world: Floats) -> Floats:
        """Return the weights (n,) by which the centres' errors make up the error at a point (3,) mm."""
        middle = self.centres_world.mean(axis=0)
        reach = max(float(np.abs(self.centres_world - middle).max()), 1.0)
        design = np.column_stack([np.ones(len(self.centres_world)), (self.centres_world - middle) / reach])
        at = np.append(1.0, (np.asarray(point_world, dtype=np.float64) - middle) / reach)
        # a thin or flat pattern says little across itself: the cut-off keeps that from blowing up
        return np.asarray(at @ np.linalg.pinv(design, rcond=0.02), dtype=np.float64)

    def point_covariance(self, point_world: Floats) -> Mat3:
        """Return the covariance (3, 3) mm² of a point (3,) mm, world, as far as the network is to blame."""
        n = len(self.centres_world)
        weights = self.weights(point_world)
        blocks = self.covariance_mm2.reshape(n, 3, n, 3)
        out = np.einsum("i,iajb,j->ab", weights, blocks, weights)  # i, j centres; a, b axes
        return np.asarray(0.5 * (out + out.T), dtype=np.float64)

    def to_bytes(self) -> bytes:
        """Return the doubt as stored in the scene's media."""
        return arrays_bytes({"centres_world": self.centres_world, "covariance_mm2": self.covariance_mm2})

    @classmethod
    def of_bytes(cls, data: bytes) -> NetworkDoubt:
        """Return the doubt stored by `to_bytes`."""
        arrays = read_arrays(data)
        return cls(arrays["centres_world"], arrays["covariance_mm2"])
