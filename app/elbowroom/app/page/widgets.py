"""The page's own browser parts: the field that takes files, the photo, and the solid."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import nicegui
from nicegui.element import Element
from nicegui.events import GenericEventArguments

from elbowroom.app.sights import TargetOutline
from elbowroom.shared.scene import Photo, PhotoOutline, Vec3

THREE = Path(nicegui.__file__).parent / "elements" / "scene" / "dist"
"""Where the 3D library lies that comes with the page's framework: nothing is fetched."""


class Drop(Element, component="drop.js"):
    """A field that files are dropped on or chosen with; `sent` gets the words of those that were refused."""

    def __init__(
        self,
        *,
        url: str,
        kind: str,
        accept: str,
        words: str,
        hint: str,
        many: bool,
        sent: Callable[[list[str]], Any],
    ) -> None:
        super().__init__()
        self.props.update(
            {"url": url, "kind": kind, "accept": accept, "words": words, "hint": hint, "many": many}
        )

        def arrived(event: GenericEventArguments) -> Any:
            refused = event.args.get("refused", []) if isinstance(event.args, dict) else []
            return sent([str(r)[:500] for r in refused][:20])

        self.on("sent", arrived)


Points = list[tuple[float, float]]


class PhotoView(Element, component="photo.js"):
    """A photo with targets and outlines drawn in, to zoom and pan; with `outlined`, outlines are drawn by hand.

    `drawn` is the address of the same photo with plates and obstacles drawn into it.
    """

    def __init__(
        self,
        photo: Photo,
        targets: Sequence[TargetOutline] = (),
        *,
        drawn: str | None = None,
        drafts: Sequence[PhotoOutline] = (),
        outlined: Callable[[Points], Any] | None = None,
    ) -> None:
        super().__init__()
        shapes = [
            {"kind": "target", "label": str(t.id), "points": t.corners_px.round(2).tolist()} for t in targets
        ]
        shapes += [{"kind": "draft", "label": "", "points": list(d.points_px)} for d in drafts]
        at = f"/picture/{photo.media}"
        self.props.update(
            {
                "name": photo.name,
                "src": drawn or f"{at}/2000",
                "full": drawn or f"{at}/0",
                "width": photo.width_px,
                "height": photo.height_px,
                "orientation": photo.orientation,
                "shapes": shapes,
                "pen": outlined is not None,
            }
        )
        if outlined is not None:
            self.on("outlined", lambda event: outlined(_points_of(event.args)))


def _points_of(given: object) -> Points:
    """Return the points of an outline as the browser sent them, pixels."""
    points = given.get("points", []) if isinstance(given, dict) else []
    return [(float(x), float(y)) for x, y in points[:2000]]


class SolidView(Element, component="solid.js", esm={"nicegui-scene": str(THREE)}):
    """Plates and obstacles as a solid, to turn; with a place flagged."""

    def __init__(self, revision: int, words: str, flag: Vec3 | None = None) -> None:
        super().__init__()
        self.props.update(
            {
                "url": f"/solid/{revision}.glb",
                "words": words,
                "flag": list(flag) if flag is not None else None,
            }
        )
