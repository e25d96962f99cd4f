"""Photos as they come from a phone: checked, read for what EXIF says, and stripped of where they were taken."""

from __future__ import annotations

import io
import struct
import warnings
from collections.abc import Mapping
from pathlib import PurePath
from typing import Any

import numpy as np
from PIL import ExifTags, Image, UnidentifiedImageError

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

GPS_IFD, EXIF_IFD = 0x8825, 0x8769
KEPT_TAGS = (ExifTags.Base.Make, ExifTags.Base.Model, ExifTags.Base.Orientation, ExifTags.Base.DateTime)
KEPT_EXIF = (ExifTags.Base.FocalLength, ExifTags.Base.FocalLengthIn35mmFilm, ExifTags.Base.DateTimeOriginal)


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
        _check_whole(name, data)
        exif = _exif_of(image)
        had_place = bool(exif.get_ifd(GPS_IFD))
        data = strip_jpeg(data, _kept_exif(exif))
        _check_decodes(name, data)
    else:
        exif, had_place = Image.Exif(), False
        out = io.BytesIO()
        _load(name, image).convert("RGB").save(out, "PNG")
        data = out.getvalue()
    if had_place:
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


def _exif_of(image: Image.Image) -> Image.Exif:
    """Return a JPEG's EXIF with its inner directories read; none when it is broken, as after some editors."""
    with warnings.catch_warnings():
        warnings.simplefilter(
            "ignore"
        )  # half-broken tags: what can be read is used, the rest is dropped anyway
        try:
            exif = image.getexif()
            for directory in (EXIF_IFD, GPS_IFD):
                exif.get_ifd(directory)
        except (OSError, ValueError, SyntaxError, KeyError, TypeError, struct.error):
            return Image.Exif()
    return exif


def _check_whole(name: str, data: bytes) -> None:
    """Raise when a JPEG has no end marker after its picture data: it was cut short while copying."""
    for marker, start, _ in _segments(name, data):
        if marker == 0xDA:
            if data.find(b"\xff\xd9", start) < 0:
                raise InputError(
                    "the photo is cut short: its last part is missing",
                    where=name,
                    value=f"{len(data)} bytes",
                    todo="copy it from the phone again",
                )
            return
    raise InputError("the photo has no picture data", where=name, todo="copy it from the phone again")


def _check_decodes(name: str, data: bytes) -> None:
    """Raise when a JPEG doesn't decode; an eighth of its size says as much as the whole."""
    image = _open(name, data)
    image.draft("L", (image.width // 8, image.height // 8))
    _load(name, image)


def _segments(name: str, data: bytes) -> list[tuple[int, int, int]]:
    """Return (marker, start, end) of a JPEG's header segments, up to and including the start of scan."""
    out, at = [], 2
    while at + 4 <= len(data):
        if data[at] != 0xFF:
            break
        marker = data[at + 1]
        if marker == 0xFF:  # padding
            at += 1
            continue
        if marker == 0x01 or 0xD0 <= marker <= 0xD8:
            at += 2
            continue
        end = at + 2 + int.from_bytes(data[at + 2 : at + 4], "big")
        if end > len(data) or end < at + 4:
            break
        out.append((marker, at, end))
        if marker == 0xDA:
            return out
        at = end
    raise InputError(
        "the photo is cut short or damaged in its header", where=name, todo="copy it from the phone again"
    )


def strip_jpeg(data: bytes, exif: bytes) -> bytes:
    """Return a JPEG with the same picture data, `exif` as its only description, comments and the rest removed.

    What comes after the first picture's end (a second picture, a video) goes too.
    """
    parts = [b"\xff\xd8"]
    if exif:
        parts.append(b"\xff\xe1" + (len(exif) + 2).to_bytes(2, "big") + exif)
    for marker, start, end in _segments("photo", data):
        if marker == 0xDA:
            parts.append(data[start : _picture_end(data, end)])
        elif marker == 0xE0 or marker == 0xEE or not (0xE0 <= marker <= 0xEF or marker == 0xFE):
            parts.append(
                data[start:end]
            )  # JFIF and Adobe headers say how to decode; tables and frames are needed
    return b"".join(parts)


def _picture_end(data: bytes, at: int) -> int:
    """Return the position after a JPEG's end marker, walking over further scans of a progressive picture."""
    end = data.find(b"\xff\xd9", at)
    return len(data) if end < 0 else end + 2


def _kept_exif(exif: Image.Exif) -> bytes:
    kept = Image.Exif()
    for tag in KEPT_TAGS:
        if tag in exif:
            kept[tag] = exif[tag]
    inner = exif.get_ifd(EXIF_IFD)
    chosen = {int(tag): inner[tag] for tag in KEPT_EXIF if tag in inner}
    if chosen:
        kept.get_ifd(EXIF_IFD).update(chosen)
    try:
        out = kept.tobytes()
    except (
        TypeError,
        ValueError,
        OverflowError,
    ):  # an odd value from some phone: better none than a broken one
        return b""
    return out if out.startswith(b"Exif\x00\x00") else b"Exif\x00\x00" + out


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
