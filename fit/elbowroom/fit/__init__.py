"""A scene and an intent to plates: keep-out sections, profile, sweep, and the 3D check."""

from elbowroom.fit.check import check_plate
from elbowroom.fit.keepout import keepout_section
from elbowroom.fit.sweep import swept_meshes

__all__ = ["check_plate", "keepout_section", "swept_meshes"]
