"""What every room speaks: the scene, plates, outlines, frames, units, findings, errors and the scene file."""

from elbowroom.shared.errors import ElbowroomError, Finding
from elbowroom.shared.frames import Rigid
from elbowroom.shared.scene import Plate, Scene

__all__ = ["ElbowroomError", "Finding", "Plate", "Rigid", "Scene"]
