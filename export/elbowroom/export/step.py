"""Plates as STEP solids: true planes and cylinders, lines and arcs, for somebody's CAD. Needs the extra `step`.

Source: ISO 10303-21 and -214 as Open CASCADE writes them.
"""

from __future__ import annotations

import re
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from elbowroom.export.dxf import is_circle
from elbowroom.export.files import write_whole
from elbowroom.export.soundness import check_openings
from elbowroom.shared.errors import ExportError, InputError
from elbowroom.shared.frames import PlateFrame, Rigid, World
from elbowroom.shared.outline import Outline, Piece
from elbowroom.shared.scene import Plate, PlateHole


def can_write_step() -> bool:
    """Say whether the library that writes STEP is installed."""
    try:
        import OCP.STEPControl  # noqa: F401
    except ImportError:
        return False
    return True


def write_step(plates: Sequence[Plate], path: Path | str, *, in_world: bool = False) -> None:
    """Write plates as one STEP file in millimetres, a named solid each; bends are not folded.

    Parameters
    ----------
    plates : sequence of Plate
        What to write.
    path : Path
        The file; replaced whole.
    in_world : bool
        Each plate where it stands in the world; otherwise each in its own frame, lying on z = 0.

    Raises
    ------
    InputError
        No plate, an outline that crosses itself, an opening outside its plate, or the extra is not installed.
    ExportError
        When the solid can't be made or the file can't be written.
    """
    if not plates:
        raise InputError("nothing to write", where=str(path), todo="give a plate")
    if not can_write_step():
        raise InputError(
            "STEP needs a library that is not installed", where=str(path), todo="install elbowroom[step]"
        )
    for plate in plates:
        check_openings(plate)
    write_whole(path, _step_bytes([(p.name, _solid(p, in_world)) for p in plates], path))


def _step_bytes(solids: Sequence[tuple[str, Any]], path: Path | str) -> bytes:
    from OCP.IFSelect import IFSelect_ReturnStatus
    from OCP.Interface import Interface_Static
    from OCP.Message import Message
    from OCP.STEPControl import STEPControl_StepModelType, STEPControl_Writer

    talk = Message.DefaultMessenger_s()  # it prints what it does on standard output
    for printer in list(talk.Printers()):
        talk.RemovePrinter(printer)
    writer = STEPControl_Writer()
    Interface_Static.SetCVal_s("write.step.unit", "MM")
    Interface_Static.SetIVal_s(
        "write.surfacecurve.mode", 0
    )  # edges as lines and arcs only, no splines beside them
    for name, solid in solids:
        done = writer.Transfer(solid, STEPControl_StepModelType.STEPControl_AsIs)
        if done != IFSelect_ReturnStatus.IFSelect_RetDone:
            raise ExportError("the solid does not go into STEP", where=f"plate {name}")
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "plates.step"
        if writer.Write(str(file)) != IFSelect_ReturnStatus.IFSelect_RetDone:
            raise ExportError("the STEP file could not be written", where=str(path))
        return _named(file.read_bytes(), [name for name, _ in solids])


def _named(data: bytes, names: Sequence[str]) -> bytes:
    """Return a STEP file with its products named, in order; the library calls them all after itself."""
    waiting = iter(names)

    def product(match: re.Match[bytes]) -> bytes:
        word = _word(next(waiting, "plate")).encode("ascii")
        return b"PRODUCT('" + word + b"','" + word + b"'"

    return re.sub(rb"PRODUCT\('[^']*',\s*'[^']*'", product, data)


def _word(text: str) -> str:
    """Return a text as a STEP string holds it. Source: ISO 10303-21, 6.4.3 (apostrophes doubled, others as \\X2\\)."""
    out = []
    for letter in text:
        if " " <= letter <= "~":
            out.append({"'": "''", "\\": "\\\\"}.get(letter, letter))
        else:
            out.append(f"\\X2\\{letter.encode('utf-16-be').hex().upper()}\\X0\\")
    return "".join(out)


def _solid(plate: Plate, in_world: bool) -> Any:
    """Return a plate as a solid of Open CASCADE: its face, drawn out by its thickness."""
    from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeFace, BRepBuilderAPI_Transform
    from OCP.BRepCheck import BRepCheck_Analyzer
    from OCP.BRepPrimAPI import BRepPrimAPI_MakePrism
    from OCP.gp import gp_Dir, gp_Pln, gp_Pnt, gp_Trsf, gp_Vec

    outer = Outline.of_loop(plate.outer).simplified().counter_clockwise()
    ground = gp_Pln(gp_Pnt(0, 0, 0), gp_Dir(0, 0, 1))
    face = BRepBuilderAPI_MakeFace(ground, _wire(outer.pieces()), True)
    for hole in plate.holes:
        face.Add(_hole_wire(hole))
    solid = BRepPrimAPI_MakePrism(face.Face(), gp_Vec(0, 0, plate.thickness_mm)).Shape()
    if in_world:
        world_from_plate: Rigid[World, PlateFrame] = plate.world_from_plate.rigid()
        move = gp_Trsf()
        rows = [(*r, t) for r, t in zip(world_from_plate.rotation, world_from_plate.shift, strict=True)]
        move.SetValues(*(float(v) for row in rows for v in row))
        solid = BRepBuilderAPI_Transform(solid, move, True).Shape()
    if not BRepCheck_Analyzer(solid).IsValid():
        raise ExportError("its outlines make no valid solid", where=f"plate {plate.name}")
    return solid


def _hole_wire(hole: PlateHole) -> Any:
    """Return an opening's wire, the other way round than the outline's; a round hole is one circle."""
    from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeEdge, BRepBuilderAPI_MakeWire
    from OCP.gp import gp_Ax2, gp_Circ, gp_Dir, gp_Pnt

    if is_circle(hole):
        x, y = hole.centre_mm
        circle = gp_Circ(gp_Ax2(gp_Pnt(x, y, 0), gp_Dir(0, 0, -1)), (hole.diameter_mm or 0.0) / 2)
        return BRepBuilderAPI_MakeWire(BRepBuilderAPI_MakeEdge(circle).Edge()).Wire()
    return _wire(Outline.of_loop(hole.loop).simplified().counter_clockwise().reversed().pieces())


def _wire(pieces: Sequence[Piece]) -> Any:
    from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeEdge, BRepBuilderAPI_MakeWire
    from OCP.GC import GC_MakeArcOfCircle
    from OCP.gp import gp_Pnt

    wire = BRepBuilderAPI_MakeWire()
    for piece in pieces:
        start, end = gp_Pnt(*piece.start, 0.0), gp_Pnt(*piece.end, 0.0)
        if piece.is_line:
            wire.Add(BRepBuilderAPI_MakeEdge(start, end).Edge())
        else:
            middle = piece.at(0.5)
            arc = GC_MakeArcOfCircle(start, gp_Pnt(middle.real, middle.imag, 0.0), end)
            wire.Add(BRepBuilderAPI_MakeEdge(arc.Value()).Edge())
    return wire.Wire()
