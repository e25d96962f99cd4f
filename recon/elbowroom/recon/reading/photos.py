"""Photos as they come from a phone: checked, read for what EXIF says, and stripped of where they were taken."""

from __future__ import annotations

import io
import warnings
from collections.abc import Mapping
from pathlib import PurePath
from typing import Any

import numpy as np
from PIL import ExifTags, Image, UnidentifiedImageError

from elbowroom.recon.reading.jpegs import EXIF_IFD, GPS_IFD, check_whole, exif_of, kept_exif, strip_jpeg
from elbowroom.shared.errors import Finding, InputError
from elbowroom.shared.media import digest
from elbowroom.shared.scene import Lens, Photo

MAX_PIXELS = 110_000_000
"""Largest photo taken in: 108 MP phones pass; above it one photo alone would take over 300 MB."""

MAX_BYTES = 80_000_000
"""Largest photo file taken in."""

FILM_DIAGONAL_MM = 43.267
"""Diagonal of 24 x 36 mm film: EXIF's equivalent focal length refers to it on phones."""

FOCAL_SD_EXIF, FOCAL_SD_UNKNOWN = 0.1, 0.5
"""Relative doubt of a first focal length from EXIF, and of one guessed from the photo's size alone."""


def import_photo(name: str, data: bytes) -> tuple[Photo, Lens, bytes, list[Finding]]:
    """Take one photo in.

    Parameters
    ----------
    name : str
        The file's name; folders in it are dropped.
    data : bytes
        JPEG, PNG or (with the extra ``heic``) HEIC.

    Returns
    -------
    Photo, Lens, bytes, list[Finding]
        The photo, a first guess of its lens (named after camera, focal length and size), and the bytes to keep:
        the same pixels with place, maker's notes and thumbnails removed.

    Raises
    ------
    InputError
        When the file is no photo, is cut short, or is too large.
    """
    name = PurePath(name.replace("\\", "/")).name or "photo"
    if len(data) > MAX_BYTES:
        raise InputError(
            "the photo file is too large",
            where=name,
            value=f"{len(data) / 1e6:.0f} MB",
            limit=f"{MAX_BYTES / 1e6:.0f} MB",
            todo="send the photo at its normal size",
        )
    if _is_heic(data):
        data = _jpeg_from_heic(name, data)
    image = _open(name, data)
    findings = []
    if image.format == "JPEG":
        check_whole(name, data)
        exif = exif_of(image)
        data = strip_jpeg(data, kept_exif(exif))
        _check_decodes(name, data)
    else:
        out = io.BytesIO()
        _load(name, image).convert("RGB").save(out, "PNG", exif=b"")
        exif = exif_of(image)
        data = out.getvalue()
    if exif.get_ifd(GPS_IFD):
        findings.append(
            Finding(
                code="place-removed",
                severity="note",
                subject=name,
                message="the place this photo was taken (GPS) was removed",
            )
        )
    lens = lens_guess(exif, image.width, image.height)
    orientation = int(exif.get(ExifTags.Base.Orientation, 1) or 1)
    photo = Photo(
        name=name,
        media=digest(data),
        width_px=image.width,
        height_px=image.height,
        orientation=orientation if 1 <= orientation <= 8 else 1,
        lens=lens.name,
    )
    return photo, lens, data, findings


def _is_heic(data: bytes) -> bool:
    return data[4:8] == b"ftyp" and data[8:12] in (
        b"heic",
        b"heix",
        b"hevc",
        b"mif1",
        b"msf1",
        b"heim",
        b"heis",
    )


def _jpeg_from_heic(name: str, data: bytes) -> bytes:
    try:
        from pillow_heif import register_heif_opener
    except ImportError as error:
        raise InputError(
            "this is a HEIC photo and the reader for it is not installed",
            where=name,
            todo="install elbowroom[heic], or set the phone to save JPEG ('most compatible')",
        ) from error
    register_heif_opener()
    image = _load(name, _open(name, data))
    out = io.BytesIO()
    image.convert("RGB").save(out, "JPEG", quality=96, subsampling=0, exif=image.getexif().tobytes())
    return out.getvalue()


def _open(name: str, data: bytes) -> Image.Image:
    limit, Image.MAX_IMAGE_PIXELS = Image.MAX_IMAGE_PIXELS, None  # our own limit and message come next
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # about broken EXIF, which is read with care later
            image = Image.open(io.BytesIO(data))
    except (UnidentifiedImageError, OSError, ValueError, SyntaxError) as error:
        raise InputError(
            "not a photo this program reads",
            where=name,
            limit="JPEG, PNG or HEIC",
            todo="send the photo as the phone saved it",
        ) from error
    finally:
        Image.MAX_IMAGE_PIXELS = limit
    if image.format not in ("JPEG", "PNG", "HEIF", "MPO"):
        raise InputError(
            "not a photo this program reads", where=name, value=image.format, limit="JPEG, PNG or HEIC"
        )
    if image.width * image.height > MAX_PIXELS:
        raise InputError(
            "the photo has too many pixels",
            where=name,
            value=f"{image.width} x {image.height} = {image.width * image.height / 1e6:.0f} megapixels",
            limit=f"{MAX_PIXELS / 1e6:.0f} megapixels",
            todo="set the camera to its normal 12 to 50 megapixel mode",
        )
    if min(image.width, image.height) < 200:
        raise InputError(
            "the photo is too small to measure in",
            where=name,
            value=f"{image.width} x {image.height} px",
            limit="200 px each way",
        )
    if image.format == "MPO":  # a JPEG with a second picture behind it; the first is the photo
        image.format = "JPEG"
    return image


def _load(name: str, image: Image.Image) -> Image.Image:
    try:
        image.load()
    except (OSError, ValueError, SyntaxError) as error:
        raise InputError(
            "the photo's data is damaged or cut short", where=name, todo="copy it from the phone again"
        ) from error
    return image


def _check_decodes(name: str, data: bytes) -> None:
    """Raise when a JPEG doesn't decode; an eighth of its size says as much as the whole."""
    image = _open(name, data)
    image.draft("L", (image.width // 8, image.height // 8))
    _load(name, image)


def lens_guess(exif: Image.Exif, width_px: int, height_px: int) -> Lens:
    """Return a first lens from EXIF, or from the photo's size alone when EXIF is silent."""
    inner: Mapping[int, Any] = exif.get_ifd(EXIF_IFD)
    film, focal = (
        _number(inner.get(ExifTags.Base.FocalLengthIn35mmFilm)),
        _number(inner.get(ExifTags.Base.FocalLength)),
    )
    words = [str(exif.get(t, "")).strip("\x00 ") for t in (ExifTags.Base.Make, ExifTags.Base.Model)]
    words += [f"{focal:g} mm"] if focal else []
    label = "".join(
        c if c.isprintable() and c not in "/\\" else "-" for c in " ".join(w for w in words if w)
    )[:50]
    diagonal = float(np.hypot(width_px, height_px))
    focal_px, doubt = (
        (film / FILM_DIAGONAL_MM * diagonal, FOCAL_SD_EXIF)
        if film
        else (0.85 * max(width_px, height_px), FOCAL_SD_UNKNOWN)
    )
    return Lens(
        name=f"{label or 'camera'} {width_px}x{height_px}",
        width_px=width_px,
        height_px=height_px,
        focal_px=focal_px,
        cx_px=(width_px - 1) / 2,
        cy_px=(height_px - 1) / 2,
        focal_sd_px=doubt * focal_px,
    )


def _number(value: Any) -> float | None:
    """Return an EXIF number if it is a sane positive one."""
    try:
        number = float(value)
    except (TypeError, ValueError, ZeroDivisionError):
        return None
    return number if np.isfinite(number) and 0.5 < number < 2000 else None
