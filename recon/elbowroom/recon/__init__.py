"""Photos to a measured scene: lenses, stations, targets, points, faces, features and obstacles, each with its
covariance; and help under a pick."""

from elbowroom.recon.doubt import NetworkDoubt
from elbowroom.recon.magnetic import cut_out, trace_between
from elbowroom.recon.measure import measure
from elbowroom.recon.photos import import_photo
from elbowroom.recon.rims import snap_ellipse
from elbowroom.recon.snap import snap_corner, snap_edge
from elbowroom.recon.tagging import measure_tags, resolve_intent

__all__ = [
    "NetworkDoubt",
    "cut_out",
    "import_photo",
    "measure",
    "measure_tags",
    "resolve_intent",
    "snap_corner",
    "snap_edge",
    "snap_ellipse",
    "trace_between",
]
