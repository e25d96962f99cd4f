"""Fitting: a measured scene and an intent to plates, and the check of plates in 3D."""

from elbowroom.fit.check import check_plate
from elbowroom.fit.fitting import fit_plate
from elbowroom.fit.keepout import keepout_section
from elbowroom.fit.sweep import swept_meshes

__all__ = ["check_plate", "fit_plate", "keepout_section", "swept_meshes"]
