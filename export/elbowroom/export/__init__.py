"""Plates and scene to files: target sheets, flat patterns, solids, and pictures drawn back into the photos."""

from elbowroom.export.dxf import write_dxf
from elbowroom.export.overlay import draw_overlay
from elbowroom.export.solid import plate_mesh, write_glb
from elbowroom.export.targets import default_card, write_targets

__all__ = ["default_card", "draw_overlay", "plate_mesh", "write_dxf", "write_glb", "write_targets"]
