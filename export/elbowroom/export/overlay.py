"""Plates and obstacles drawn back into the photo they were measured from.

The plate is layout blue with light scribed edges; obstacles are outlined in amber. What an obstacle hides of the
plate is dashed, what the plate hides of an obstacle is faint, the rest of the hidden lines is left out.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import cv2
import numpy as np

from elbowroom.export.creases import ROUND_SHARP_RAD, SHARP_RAD, Creased, creased_union, sort_edges
from elbowroom.export.labels import Colour, Label, draw_labels
from elbowroom.export.scribe import (
    AMBER,
    BEHIND,
    CHORD_MM,
    SCRIBED,
    Mask,
    Runs,
    View,
    obstacle_lines,
    paint_lines,
    plate_lines,
)
from elbowroom.export.sight import Depths, grid_of, photo_map, seen_depths
from elbowroom.export.solid import mesh_bytes_of, plate_mesh
from elbowroom.shared.arrays import Floats, Image, Points2
from elbowroom.shared.errors import ExportError, InputError
from elbowroom.shared.frames import PlateFrame, Rigid, World
from elbowroom.shared.media import Media
from elbowroom.shared.scene import Lens, Obstacle, Photo, Plate

DEFAULT_WIDTH_PX = 2000
LEAST_WIDTH_PX, MOST_WIDTH_PX = 100, 12000
"""Narrower nothing can be read, wider no screen or page needs it and memory suffers."""

JPEG_QUALITY = 90

RASTER_COLUMNS = 800
"""Columns of the depth raster across the photo: 1 mm a pixel at arm's length, fast enough for a dozen photos."""

LEAST_SEEN = 6
"""Raster pixels of a thing that must be seen before it is named."""

APART = 14
"""Raster pixels about a hole's centre where its plate is not named."""

RIM_SHARE = 0.06
"""Share of the width near the photo's rim where nothing is named that is seen further in as well."""

LAYOUT_BLUE: Colour = (24, 88, 168)
LAYOUT_BLUE_SIDE: Colour = (10, 48, 104)
FACE_STRENGTH, SIDE_STRENGTH = 0.55, 0.72


def draw_overlay(
    photo_bytes: bytes,
    photo: Photo,
    lens: Lens,
    plates: Sequence[Plate],
    obstacles: Sequence[Obstacle],
    media: Media,
    *,
    show_orientation: bool = True,
    width_px: int | None = None,
    image_format: Literal["png", "jpeg"] = "png",
) -> bytes:
    """Return the photo as PNG (or JPEG) with plates and obstacles drawn where they would be seen.

    Parameters
    ----------
    photo_bytes : bytes
        The photo's file.
    photo, lens : Photo, Lens
        The measured photo and its lens.
    plates, obstacles : sequences
        What to draw; hidden parts are found from their own meshes.
    media : Media
        The scene's bytes by digest, holding the obstacles' meshes.
    show_orientation : bool
        Turn the finished picture as the photo's EXIF orientation asks.
    width_px : int, optional
        Width of the picture as returned; by default 2000, or the photo's own if that is less.
    image_format : {"png", "jpeg"}
        JPEG takes a twentieth of PNG's time and a fifth of its bytes.

    Raises
    ------
    InputError
        When the photo was not measured, can't be read, or is not the size its entity says.
    """
    if photo.camera_from_world is None:
        raise InputError(
            "the photo has no measured place", where=photo.name, todo="measure it, or choose another photo"
        )
    if width_px is not None and not LEAST_WIDTH_PX <= width_px <= MOST_WIDTH_PX:
        raise InputError(
            "no sensible picture width",
            where="width_px",
            value=width_px,
            limit=f"{LEAST_WIDTH_PX} to {MOST_WIDTH_PX}",
        )
    turned = show_orientation and photo.orientation >= 5
    shown = photo.height_px if turned else photo.width_px
    scale = (width_px or min(DEFAULT_WIDTH_PX, shown)) / shown
    picture = _read_picture(photo_bytes, photo, scale)
    view = View(lens, photo.camera_from_world.rigid(), scale, grid_of(lens, RASTER_COLUMNS))
    mask = _draw_things(picture, view, plates, obstacles, media)
    if show_orientation:
        view.labels = [_turned_label(label, photo.orientation, picture.shape) for label in view.labels]
        picture, mask = _turned(picture, photo.orientation), _turned(mask, photo.orientation)
    picture = draw_labels(picture, view.labels, mask)
    return _encoded(picture, image_format, photo.name)


def _encoded(picture: Image, image_format: str, name: str) -> bytes:
    """Return an RGB picture as a file's bytes."""
    if image_format not in ("png", "jpeg"):
        raise InputError(
            "not one of the choices", where="image_format", value=image_format, limit="png, jpeg"
        )
    settings = [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY]
    if image_format == "png":
        settings = [cv2.IMWRITE_PNG_COMPRESSION, 1]
        if hasattr(cv2, "IMWRITE_PNG_FILTER_UP"):  # newer OpenCV: half the time on a photo
            settings += [cv2.IMWRITE_PNG_FILTER, cv2.IMWRITE_PNG_FILTER_UP]
    done, data = cv2.imencode(f".{image_format}", picture[:, :, ::-1], settings)
    if not done:
        raise ExportError("the picture could not be written", where=name)
    return bytes(data.tobytes())


def _read_picture(data: bytes, photo: Photo, scale: float) -> Image:
    """Return the photo as stored (EXIF orientation ignored), RGB, at the picture's scale.

    The small picture of a copy that was sent (`photo.shown`) may have any size.
    """
    shape = (round(photo.width_px * scale), round(photo.height_px * scale))
    half = scale <= 0.5 and photo.shown is None
    flag = cv2.IMREAD_REDUCED_COLOR_2 if half else cv2.IMREAD_COLOR
    image = cv2.imdecode(np.frombuffer(data, np.uint8), flag | cv2.IMREAD_IGNORE_ORIENTATION)
    if image is None:
        raise InputError("the photo can't be read", where=photo.name, todo="take it in again as JPEG or PNG")
    expected = (photo.width_px, photo.height_px)
    if half:
        expected = ((photo.width_px + 1) // 2, (photo.height_px + 1) // 2)
    if photo.shown is None and (image.shape[1], image.shape[0]) != expected:
        raise InputError(
            "the photo is not the size it was measured at",
            where=photo.name,
            value=f"{image.shape[1]} x {image.shape[0]}",
            limit=f"{expected[0]} x {expected[1]}",
        )
    if (image.shape[1], image.shape[0]) != shape:
        image = cv2.resize(image, shape, interpolation=cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR)
    return np.ascontiguousarray(image[:, :, ::-1])


def _draw_things(
    picture: Image, view: View, plates: Sequence[Plate], obstacles: Sequence[Obstacle], media: Media
) -> Image:
    """Fill and draw everything but the labels; return a mask (255) of what labels should keep off."""
    centre_world = view.camera_from_world.inverse().shift
    bodies = [n for n, o in enumerate(obstacles) if o.part == "body"]
    meshes = {n: [_creased(o, media)] for n, o in enumerate(obstacles)}
    solids = [sort_edges(*plate_mesh(p, CHORD_MM)) for p in plates]
    owners, body_triangles = _triangles(view, [meshes[n] for n in bodies])
    body = seen_depths(body_triangles, view.grid)
    plate_owners, plate_triangles = _triangles(view, [[s] for s in solids])
    steel = seen_depths(plate_triangles, view.grid)
    mask = _fill_plates(picture, view, steel, body, _faces_of_sides(plates, solids))
    for n, obstacle in enumerate(obstacles):
        lines = [m.lines_seen_from(centre_world) for m in meshes[n]]
        obstacle_lines(view, np.concatenate([*lines, np.zeros((0, 2, 3))]), obstacle, body, steel)
    for plate, solid in zip(plates, solids, strict=True):
        plate_lines(view, plate, solid, body, steel)
    paint_lines(picture, view.lines)
    _mark_busy(mask, view.lines)
    covered = (steel.owner >= 0) & (steel.inverse >= body.inverse * (1 - BEHIND))
    plate_seen = np.where(covered, _things(plate_owners, steel), -1)
    names = [obstacles[n].name for n in bodies]
    _label_all(view, plates, names, picture.shape, plate_seen, _things(owners, body))
    return mask


def _creased(obstacle: Obstacle, media: Media) -> Creased:
    sharp = ROUND_SHARP_RAD if obstacle.kind in ("tube", "volume") else SHARP_RAD
    return creased_union(tuple(mesh_bytes_of(obstacle, d, media) for d in obstacle.meshes), sharp)


def _mark_busy(mask: Image, lines: dict[str, list[Points2]]) -> None:
    """Add the drawn lines to the mask of what labels should keep off."""
    pieces = [
        np.rint(p).astype(np.int32)
        for name in ("obstacle", "plate", "thickness")
        for p in lines.get(name, [])
    ]
    cv2.polylines(mask, pieces, False, 160, max(3, mask.shape[1] // 170))


def _triangles(view: View, things: Sequence[Sequence[Creased]]) -> tuple[Runs, Floats]:
    """Return, of all things' meshes, the thing each triangle belongs to, and the triangles (m, 3, 3), camera."""
    owner, parts = [np.zeros(0, dtype=np.int64)], [np.zeros((0, 3, 3))]
    for n, meshes in enumerate(things):
        for mesh in meshes:
            parts.append(view.camera_from_world.apply(mesh.vertices)[mesh.faces])
            owner.append(np.full(len(mesh.faces), n))
    return np.concatenate(owner), np.concatenate(parts)


def _faces_of_sides(plates: Sequence[Plate], solids: Sequence[Creased]) -> Mask:
    """Say for each triangle of the plates, in order, whether it is on an edge (the thickness), not on a face."""
    rows = [np.zeros(0, dtype=np.bool_)]
    for plate, solid in zip(plates, solids, strict=True):
        world_from_plate: Rigid[World, PlateFrame] = plate.world_from_plate.rigid()
        rows.append(np.abs(solid.normals @ world_from_plate.rotation[:, 2]) < 0.5)
    return np.concatenate(rows)


def _fill_plates(picture: Image, view: View, steel: Depths, body: Depths, sides: Mask) -> Image:
    """Tint the plates where nothing is in front of them; return where that is (255)."""
    seen = (steel.owner >= 0) & (steel.inverse >= body.inverse * (1 - BEHIND))
    side: Mask = np.logical_and(seen, np.concatenate([sides, [False]])[steel.owner])
    parts = [_on_photo(view, part, picture.shape) for part in (seen & ~side, side)]
    _tint(picture, parts[0], FACE_STRENGTH, LAYOUT_BLUE)
    _tint(picture, parts[1], SIDE_STRENGTH, LAYOUT_BLUE_SIDE)
    return np.maximum(parts[0], parts[1])


def _on_photo(view: View, raster: Mask, shape: tuple[int, ...]) -> Image:
    """Return a raster of the grid as seen in the picture, 0 to 255, smooth at its rims."""
    columns, rows = photo_map(view.lens, RASTER_COLUMNS, (shape[0], shape[1]))
    return np.asarray(
        cv2.remap(raster.astype(np.uint8) * 255, columns, rows, cv2.INTER_LINEAR), dtype=np.uint8
    )


def _tint(picture: Image, where: Image, strength: float, colour: Colour) -> None:
    """Blend a colour into the picture, in place, where the mask (0 to 255) is, as strongly as it is."""
    left, top, width, height = cv2.boundingRect(where)
    if not width:
        return
    part = (slice(top, top + height), slice(left, left + width))
    share = where[part][:, :, None].astype(np.float32) * np.float32(strength / 255)
    old = picture[part].astype(np.float32)
    picture[part] = (old + share * (np.array(colour, np.float32) - old) + 0.5).astype(np.uint8)


# --- labels --------------------------------------------------------------------------------------------------


def _things(owners: Runs, depths: Depths) -> Runs:
    """Return the thing seen in each grid pixel, -1 where none."""
    return np.concatenate([owners, [-1]])[depths.owner]


def _label_all(
    view: View,
    plates: Sequence[Plate],
    names: Sequence[str],
    shape: tuple[int, ...],
    plate_seen: Runs,
    body_seen: Runs,
) -> None:
    """Collect the labels: holes first, then things from the least seen to the most, so that small ones find room."""
    steel, found = plate_seen >= 0, []
    plate_seen = plate_seen.copy()
    for plate in plates:
        _label_holes(view, plate, shape, plate_seen)
    found += [(p.name, SCRIBED, plate_seen == n) for n, p in enumerate(plates)]
    for n, name in enumerate(names):
        seen = body_seen == n
        bare = seen & ~steel
        found.append((name, AMBER, bare if bare.any() else seen))
    for words, colour, mask in sorted(found, key=lambda f: int(np.count_nonzero(f[2]))):
        _label_thing(view, words, colour, shape, mask)


def _label_thing(view: View, words: str, colour: Colour, shape: tuple[int, ...], mask: Mask) -> None:
    """Label a thing at the middle of the widest part seen of it, if enough is seen inside the photo."""
    place = _deepest(mask)
    if place is None:
        return
    x, y = view.picture_points(view.grid.ray(place)[None])[0]
    if 0 <= x < shape[1] and 0 <= y < shape[0]:
        view.labels.append(Label(words=words, at=(float(x), float(y)), colour=colour))


def _deepest(mask: Mask) -> tuple[float, float] | None:
    """Return column and row of the pixel farthest inside a mask, or None for an empty one."""
    if np.count_nonzero(mask) < LEAST_SEEN:
        return None
    edge = round(RIM_SHARE * mask.shape[1])
    inner = np.zeros_like(mask)
    inner[edge:-edge, edge:-edge] = mask[edge:-edge, edge:-edge]
    mask = inner if inner.any() else mask
    inside = cv2.distanceTransform(mask.astype(np.uint8), cv2.DIST_L2, 3)
    _, _, _, place = cv2.minMaxLoc(inside)
    return float(place[0]), float(place[1])


def _label_holes(view: View, plate: Plate, shape: tuple[int, ...], plate_seen: Runs) -> None:
    """Label each opening of a plate at its centre on the near face; keep the plate's own label off that place."""
    world_from_plate: Rigid[World, PlateFrame] = plate.world_from_plate.rigid()
    camera_from_plate = view.camera_from_world @ world_from_plate
    near_z = plate.thickness_mm if camera_from_plate.inverse().shift[2] > plate.thickness_mm / 2 else 0.0
    for hole in plate.holes:
        point = camera_from_plate.apply(np.array([[*hole.centre_mm, near_z]]))
        x, y = view.picture_points(point)[0]
        if np.isfinite(x) and 0 <= x < shape[1] and 0 <= y < shape[0]:
            view.labels.append(Label(words=hole.name, at=(float(x), float(y)), colour=SCRIBED))
            column, row = np.rint(view.grid.at(point)[0]).astype(int)
            plate_seen[max(row - APART, 0) : row + APART, max(column - APART, 0) : column + APART] = -1


# --- turning the finished picture ----------------------------------------------------------------------------


def _turned(image: Image, orientation: int) -> Image:
    """Return the picture as EXIF orientation 1 to 8 asks it to be shown.

    Source: CIPA DC-008 (Exif), tag 0x0112.
    """
    if orientation >= 5:
        image = np.swapaxes(image, 0, 1)
    if orientation in (2, 3, 6, 7):
        image = image[:, ::-1]
    if orientation in (3, 4, 7, 8):
        image = image[::-1]
    return np.ascontiguousarray(image)


def _turned_label(label: Label, orientation: int, shape: tuple[int, ...]) -> Label:
    """Return a label with its point where `_turned` takes it."""
    x, y, w, h = *label.at, shape[1], shape[0]
    if orientation >= 5:
        x, y, w, h = y, x, h, w
    if orientation in (2, 3, 6, 7):
        x = w - 1 - x
    if orientation in (3, 4, 7, 8):
        y = h - 1 - y
    return Label(words=label.words, at=(x, y), colour=label.colour)
