"""JPEG files as bytes: whole or cut short, what their EXIF says, and a copy with the description removed.

Source: ITU-T T.81 (JPEG), annex B (markers and segments); CIPA DC-008 (Exif).
"""

from __future__ import annotations

import struct
import warnings

from PIL import ExifTags, Image

from elbowroom.shared.errors import InputError

GPS_IFD, EXIF_IFD = 0x8825, 0x8769
KEPT_TAGS = (ExifTags.Base.Make, ExifTags.Base.Model, ExifTags.Base.Orientation, ExifTags.Base.DateTime)
KEPT_EXIF = (ExifTags.Base.FocalLength, ExifTags.Base.FocalLengthIn35mmFilm, ExifTags.Base.DateTimeOriginal)


def exif_of(image: Image.Image) -> Image.Exif:
    """Return a JPEG's EXIF with its inner directories read; none when it is broken, as after some editors."""
    with warnings.catch_warnings():
        # half-broken tags: what can be read is used, the rest is dropped anyway
        warnings.simplefilter("ignore")
        try:
            exif = image.getexif()
            for directory in (EXIF_IFD, GPS_IFD):
                exif.get_ifd(directory)
        except (OSError, ValueError, SyntaxError, KeyError, TypeError, struct.error):
            return Image.Exif()
    return exif


def check_whole(name: str, data: bytes) -> None:
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
            # JFIF and Adobe headers say how to decode; tables and frames are needed
            parts.append(data[start:end])
    return b"".join(parts)


def _picture_end(data: bytes, at: int) -> int:
    """Return the position after a JPEG's first end marker: no scan's data holds one."""
    end = data.find(b"\xff\xd9", at)
    return len(data) if end < 0 else end + 2


def kept_exif(exif: Image.Exif) -> bytes:
    """Return the tags worth keeping (camera, orientation, times, focal length) as a JPEG's EXIF segment holds them."""
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
    except (TypeError, ValueError, OverflowError, struct.error):
        return b""  # an odd value from some phone: better none than a broken one
    return out if out.startswith(b"Exif\x00\x00") else b"Exif\x00\x00" + out
