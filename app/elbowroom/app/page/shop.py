"""What all windows share: the folder with its jobs, the one on the desk, and files on their way in or out."""

from __future__ import annotations

import secrets
from dataclasses import dataclass, field
from pathlib import Path
from threading import Lock

from elbowroom.app.page.desk import Desk, desk_in
from elbowroom.app.page.intake import Batch
from elbowroom.shared.errors import InputError
from elbowroom.shared.store import SceneFile, copy_scene_file

MOST_DRAWN = 24
"""Photos kept with everything drawn in, half a megabyte each."""

MOST_BATCHES = 64
"""Windows that may send files at a time."""


@dataclass
class Shop:
    """The folder the page was opened in, and the job on the desk."""

    folder: Path
    author: str
    desk: Desk | None = None
    _batches: dict[str, Batch] = field(default_factory=dict)
    _lock: Lock = field(default_factory=Lock)
    _drawn: dict[tuple[int, str], bytes] = field(default_factory=dict)
    _solid: tuple[int, Path] | None = None

    def close(self) -> None:
        """Stop what runs and close the job."""
        if self.desk is not None:
            self.desk.close()
            self.desk = None

    def jobs(self) -> list[str]:
        """Return the names of the jobs in the folder."""
        return sorted(p.name for p in self.folder.glob("*.elbow") if p.is_file())

    def open(self, name: str) -> Desk:
        """Put a job of the folder on the desk, making it if it is not there; raises InputError when one lies there."""
        if self.desk is not None:
            raise InputError("another job is open", where=self.desk.path.name, todo="load the page again")
        self.desk = desk_in(self.folder, name, self.author)
        return self.desk

    def open_desk(self) -> Desk:
        """Return the desk; raises InputError when no job is open."""
        if self.desk is None:
            raise InputError("no job is open", todo="choose or make one on the page")
        return self.desk

    def new_batch(self) -> str:
        """Return a token under which a window may send files."""
        token = secrets.token_urlsafe(16)
        with self._lock:
            while len(self._batches) >= MOST_BATCHES:
                self._batches.pop(next(iter(self._batches))).drop()
            self._batches[token] = Batch(self.open_desk().folder("in"))
        return token

    def batch(self, token: str) -> Batch:
        """Return the files sent under a token; raises InputError when there is no such token."""
        with self._lock:
            if token not in self._batches:
                raise InputError(
                    "these files belong to no open page", todo="load the page again and send them anew"
                )
            return self._batches[token]

    def written_file(self, revision: int, number: int) -> Path:
        """Return one of the files last written; raises InputError when there is none of that number."""
        written = self.open_desk().written
        if written is None or written.revision != revision or not 0 <= number < len(written.paths):
            raise InputError("these files are not here any more", todo="write them again")
        return written.paths[number]

    def copied_job(self) -> Path:
        """Return a fresh compact copy of the whole job."""
        desk = self.open_desk()
        path = desk.folder("copy") / "job.elbow"
        with self._lock, SceneFile.open(desk.path) as source:
            copy_scene_file(source, path)
        return path

    def drawn(self, digest: str) -> bytes:
        """Return a measured photo with plates and obstacles drawn in, as stored; raises InputError for another."""
        from elbowroom.export import draw_overlay

        desk = self.open_desk()
        scene, key = desk.scene(), (desk.head(), digest)
        photo = next((p for p in scene.photos if p.media == digest), None)
        if photo is None:
            raise InputError("no such photo in this job", where=digest[:12], todo="load the page again")
        with self._lock:
            if key not in self._drawn:
                media = {d: desk.medium(d) for o in scene.obstacles for d in o.meshes}
                while len(self._drawn) >= MOST_DRAWN:
                    self._drawn.pop(next(iter(self._drawn)))
                self._drawn[key] = draw_overlay(
                    desk.picture(photo),
                    photo,
                    scene.lens_of(photo),
                    scene.plates,
                    scene.obstacles,
                    media,
                    show_orientation=False,
                    image_format="jpeg",
                )
            return self._drawn[key]

    def solid(self) -> Path:
        """Return plates and obstacles as they are now, as one GLB file; raises InputError when there are none."""
        from elbowroom.export import write_glb

        desk = self.open_desk()
        scene, head = desk.scene(), desk.head()
        with self._lock:
            if self._solid is None or self._solid[0] != head:
                media = {d: desk.medium(d) for o in scene.obstacles for d in o.meshes}
                path = desk.folder("solid") / f"{head}.glb"
                write_glb(path, scene.plates, scene.obstacles, media)
                self._solid = (head, path)
            return self._solid[1]
