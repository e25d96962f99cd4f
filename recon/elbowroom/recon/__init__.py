"""Photos to a measured scene: lenses, stations, targets, points, faces and obstacles, each with its covariance."""

from elbowroom.recon.doubt import NetworkDoubt
from elbowroom.recon.measure import measure
from elbowroom.recon.photos import import_photo
from elbowroom.recon.tagging import measure_tags, resolve_intent

__all__ = ["NetworkDoubt", "import_photo", "measure", "measure_tags", "resolve_intent"]
