"""Photos as the page shows them: as the sensor stored them, without EXIF, at a few widths."""

from __future__ import annotations

from collections import OrderedDict
from threading import Lock

import cv2
import numpy as np

from elbowroom.app.page.desk import Desk
from elbowroom.shared.arrays import Image
from elbowroom.shared.errors import InputError

WIDTHS = (240, 2000, 0)
"""Widths shown: a thumbnail, a screen, and (0) the photo's own; nothing else is made, so that nothing fills memory."""

KEPT = 80
"""Pictures kept: thumbnails of a large job and the few photos last looked at."""

QUALITY = 88

SMALL_PX = 400
"""Up to this width an eighth of a phone's photo is enough, which decodes in a fraction of the time."""


class Pictures:
    """Makes pictures of a job's photos, and keeps the last ones."""

    def __init__(self) -> None:
        self._made: OrderedDict[tuple[str, int], bytes] = OrderedDict()
        self._lock = Lock()

    def of(self, desk: Desk, digest: str, width_px: int) -> bytes:
        """Return a photo of the job as JPEG of a width.

        Raises
        ------
        InputError
            When the job has no such photo, or nothing is shown at that width.
        """
        photo = next((p for p in desk.scene().photos if p.media == digest), None)
        if width_px not in WIDTHS or photo is None:
            raise InputError("no such photo in this job", where=digest[:12], todo="load the page again")
        key = (digest, width_px)
        with self._lock:
            if key in self._made:
                self._made.move_to_end(key)
                return self._made[key]
        made = reduced(desk.picture(photo), width_px, where=photo.name)
        with self._lock:
            self._made[key] = made
            while len(self._made) > KEPT or (width_px == 0 and sum(k[1] == 0 for k in self._made) > 3):
                self._made.pop(next(k for k in self._made if len(self._made) > KEPT or k[1] == 0))
        return made


def reduced(data: bytes, width_px: int, *, where: str) -> bytes:
    """Return a photo as JPEG, at most `width_px` wide (0: its own width), EXIF rotation ignored.

    Raises
    ------
    InputError
        When it can't be decoded.
    """
    image = _decoded(data, cv2.IMREAD_REDUCED_COLOR_8) if 0 < width_px <= SMALL_PX else None
    if image is None or image.shape[1] < width_px:
        image = _decoded(data, cv2.IMREAD_COLOR)
    if image is None:
        raise InputError("the photo can't be decoded", where=where, todo="copy it from the phone again")
    scale = width_px / image.shape[1] if width_px else 1.0
    if scale < 1:
        size = (width_px, max(1, round(image.shape[0] * scale)))
        image = cv2.resize(image, size, interpolation=cv2.INTER_AREA)
    _, out = cv2.imencode(".jpeg", image, [cv2.IMWRITE_JPEG_QUALITY, QUALITY])
    return bytes(out.tobytes())


def _decoded(data: bytes, flag: int) -> Image | None:
    image = cv2.imdecode(np.frombuffer(data, np.uint8), flag | cv2.IMREAD_IGNORE_ORIENTATION)
    return None if image is None else np.asarray(image, dtype=np.uint8)
