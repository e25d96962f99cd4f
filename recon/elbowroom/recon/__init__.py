"""Photos to a measured scene: lenses, stations, targets, points, faces, features and obstacles, each with its
covariance; and help under a pick."""

from elbowroom.recon.measure import measure
from elbowroom.recon.network.doubt import NetworkDoubt
from elbowroom.recon.obstacles.tagging import measure_tags, resolve_intent
from elbowroom.recon.picks.magnetic import cut_out, trace_between
from elbowroom.recon.picks.rims import snap_ellipse
from elbowroom.recon.picks.snap import snap_corner, snap_edge
from elbowroom.recon.reading.photos import import_photo

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
