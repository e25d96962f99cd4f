"""Photos of one camera in different sizes: cropped, or taken in another mode, they can't share a lens."""

from __future__ import annotations

from collections import Counter, defaultdict

from elbowroom.shared.errors import Finding
from elbowroom.shared.scene import Photo, Scene

OTHERS = 3
"""Photos of the usual size there must be to one of an odd size: with fewer it may be a second camera whose EXIF is
silent, which is nothing wrong."""


def photo_size_findings(scene: Scene) -> list[Finding]:
    """Return a finding for each photo whose size differs from that of most photos of the same camera.

    Photos held the other way up (the same size on its side) are no odd ones.
    """
    groups: dict[str, list[Photo]] = defaultdict(list)
    for photo in scene.photos:
        groups[_camera(photo)].append(photo)
    out = []
    for photos in groups.values():
        sizes = Counter(_size(p) for p in photos)
        (usual, count), *rest = sizes.most_common()
        odd = {size for size, n in rest if OTHERS * n <= count}
        out += [_odd_size(p, usual) for p in photos if _size(p) in odd]
    return out


def _camera(photo: Photo) -> str:
    """Return the camera's part of a lens group's name, which ends in the photo's size."""
    return (photo.lens or "").removesuffix(f" {photo.width_px}x{photo.height_px}")


def _size(photo: Photo) -> tuple[int, int]:
    return max(photo.width_px, photo.height_px), min(photo.width_px, photo.height_px)


def _odd_size(photo: Photo, usual: tuple[int, int]) -> Finding:
    return Finding(
        code="photo-size",
        severity="warning",
        subject=photo.name,
        message=f"{photo.name} is {photo.width_px} x {photo.height_px} px, most photos of its camera are "
        f"{usual[0]} x {usual[1]} px: it was cropped, made smaller or taken in another mode, and its lens is weakly "
        "known. Send it as the camera saved it, or take it again in the mode of the others.",
        numbers={"width_px": float(photo.width_px), "height_px": float(photo.height_px)},
    )
