"""Plates as 3MF: closed meshes with names, material and unit, in one zip file.

Source: 3MF Core Specification 1.3, chapters 2 (package parts), 3 (model, units) and 4 (mesh); from memory.
"""

from __future__ import annotations

import io
import zipfile
from collections.abc import Sequence
from pathlib import Path
from xml.etree import ElementTree as Xml

from elbowroom.export.files import write_whole
from elbowroom.export.solid import SOLID_CHORD_MM, plate_mesh, plate_mesh_in_plate
from elbowroom.export.soundness import check_openings
from elbowroom.shared.errors import InputError
from elbowroom.shared.scene import Plate

CORE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
MODEL_TYPE = "application/vnd.ms-package.3dmanufacturing-3dmodel+xml"
RELATION = "http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"
PACKAGE = "http://schemas.openxmlformats.org/package/2006"

CONTENT_TYPES = (
    f'<?xml version="1.0" encoding="UTF-8"?>\n<Types xmlns="{PACKAGE}/content-types">'
    '<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
    f'<Default Extension="model" ContentType="{MODEL_TYPE}"/></Types>'
)
RELATIONS = (
    f'<?xml version="1.0" encoding="UTF-8"?>\n<Relationships xmlns="{PACKAGE}/relationships">'
    f'<Relationship Id="r1" Target="/3D/plates.model" Type="{RELATION}"/></Relationships>'
)

FIXED_TIME = (1980, 1, 1, 0, 0, 0)
"""Time of the parts in the zip, so that the same plates give the same bytes."""


def write_3mf(
    plates: Sequence[Plate], path: Path | str, *, in_world: bool = False, chord_mm: float = SOLID_CHORD_MM
) -> None:
    """Write plates as one 3MF file in millimetres; bends are not folded.

    Parameters
    ----------
    plates : sequence of Plate
        What to write, an object each.
    path : Path
        The file; replaced whole.
    in_world : bool
        Each plate where it stands in the world; otherwise each in its own frame, lying on z = 0.
    chord_mm : float
        Greatest distance between an arc and its chords, mm.

    Raises
    ------
    InputError
        No plate, an outline that crosses itself, an opening outside its plate.
    ExportError
        When the file can't be written.
    """
    if not plates:
        raise InputError("nothing to write", where=str(path), todo="give a plate")
    for plate in plates:
        check_openings(plate)
    model = Xml.Element("model", {"unit": "millimeter", "xml:lang": "en", "xmlns": CORE})
    resources, build = Xml.SubElement(model, "resources"), Xml.SubElement(model, "build")
    mesh = plate_mesh if in_world else plate_mesh_in_plate
    for number, plate in enumerate(plates, 1):
        head = {"id": str(number), "type": "model", "name": plate.name, "partnumber": plate.name}
        body = Xml.SubElement(Xml.SubElement(resources, "object", head), "mesh")
        points, faces = mesh(plate, chord_mm)
        corners, triangles = Xml.SubElement(body, "vertices"), Xml.SubElement(body, "triangles")
        for x, y, z in points.tolist():
            Xml.SubElement(corners, "vertex", {"x": f"{x:.9g}", "y": f"{y:.9g}", "z": f"{z:.9g}"})
        for a, b, c in faces.tolist():
            Xml.SubElement(triangles, "triangle", {"v1": str(a), "v2": str(b), "v3": str(c)})
        Xml.SubElement(build, "item", {"objectid": str(number)})
    write_whole(path, _package(Xml.tostring(model, encoding="utf-8", xml_declaration=True)))


def _package(model: bytes) -> bytes:
    out = io.BytesIO()
    parts = (
        ("[Content_Types].xml", CONTENT_TYPES.encode()),
        ("_rels/.rels", RELATIONS.encode()),
        ("3D/plates.model", model),
    )
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as package:
        for name, data in parts:
            package.writestr(zipfile.ZipInfo(name, FIXED_TIME), data, zipfile.ZIP_DEFLATED)
    return out.getvalue()
