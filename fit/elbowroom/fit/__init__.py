"""Fitting: a measured scene and an intent to plates, the check of plates in 3D, and their strength under loads."""

from elbowroom.fit.check import check_plate
from elbowroom.fit.fitting import fit_plate
from elbowroom.fit.keepout import keepout_section
from elbowroom.fit.strength import check_strength
from elbowroom.fit.sweep import swept_meshes

__all__ = ["check_plate", "check_strength", "fit_plate", "keepout_section", "swept_meshes"]
