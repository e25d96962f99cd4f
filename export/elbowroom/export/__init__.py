"""Plates and scene to files: target sheets, flat patterns, paper templates, solids, pictures drawn into the photos."""

from elbowroom.export.dxf import write_dxf
from elbowroom.export.overlay import draw_overlay
from elbowroom.export.solid import plate_mesh, write_glb, write_stl
from elbowroom.export.stress import write_stress
from elbowroom.export.svg import write_svg
from elbowroom.export.targets import default_card, write_targets
from elbowroom.export.template import write_template

__all__ = [
    "default_card",
    "draw_overlay",
    "plate_mesh",
    "write_dxf",
    "write_glb",
    "write_stl",
    "write_stress",
    "write_svg",
    "write_targets",
    "write_template",
]
