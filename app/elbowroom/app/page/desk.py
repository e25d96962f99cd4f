"""The job on the desk: one open scene file, one step at a time, and what the step says of itself."""

from __future__ import annotations

import asyncio
import tempfile
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal, TypeVar

from elbowroom.app.job import Cancelled, Job, Tell
from elbowroom.shared.errors import ElbowroomError, Finding
from elbowroom.shared.scene import Photo, PhotoOutline, Scene
from elbowroom.shared.sending import picture_of
from elbowroom.shared.store import Revision, SceneFile

Result = TypeVar("Result")


@dataclass
class Step:
    """A step that is running: what it is, how far it is (0 to 1), and what it is at."""

    what: str
    can_stop: bool
    share: float = 0.0
    now: str = ""
    stop: threading.Event = field(default_factory=threading.Event)

    def tell(self, share: float, now: str) -> None:
        """Note how far the step is; called from its thread."""
        self.share, self.now = min(max(share, 0.0), 1.0), now


@dataclass(frozen=True)
class Said:
    """The last thing there was to say, and how badly it went."""

    how: Literal["done", "refused"]
    words: str
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True)
class Written:
    """Files as written from one revision of the job."""

    revision: int
    paths: tuple[Path, ...]
    findings: tuple[Finding, ...]


class Desk:
    """One open job for any number of browser windows.

    Steps write through one connection, one at a time; everything shown is read through another, so the page stays
    live while a step runs.
    """

    def __init__(self, path: Path, author: str) -> None:
        self.path = path
        self._file, self._reader = SceneFile.open(path), SceneFile.open(path)
        self._job = Job(self._file, author)
        self._reading, self._working = threading.Lock(), threading.Lock()
        self._scene: tuple[int, Scene] | None = None
        self._folder = tempfile.TemporaryDirectory(prefix="elbowroom-")
        self.step: Step | None = None
        self.said: Said | None = None
        self.written: Written | None = None
        self.drafts: dict[str, PhotoOutline] = {}
        """Outlines by photo of a thing being tagged; they become a tag, and are saved, when it is named."""
        self.turn = 0
        """Goes up whenever there is something new to say."""

    def close(self) -> None:
        """Stop what runs, wait for it, and close the file."""
        if self.step is not None:
            self.step.stop.set()
        with self._working:
            self._file.close()
            self._reader.close()
            self._folder.cleanup()

    def folder(self, name: str) -> Path:
        """Return a folder of our own for files that come or go; it goes when the program ends."""
        out = Path(self._folder.name) / name
        out.mkdir(parents=True, exist_ok=True)
        return out

    def head(self) -> int:
        """Return the id of the current revision."""
        with self._reading:
            return self._reader.head()

    def scene(self) -> Scene:
        """Return the scene as it is now."""
        with self._reading:
            head = self._reader.head()
            if self._scene is None or self._scene[0] != head:
                self._scene = (head, self._reader.scene(head))
            return self._scene[1]

    def history(self) -> list[Revision]:
        """Return all revisions, oldest first."""
        with self._reading:
            return self._reader.history()

    def medium(self, name: str) -> bytes:
        """Return a photo's or mesh's bytes by digest."""
        with self._reading:
            return self._reader.media()[name]

    def picture(self, photo: Photo) -> bytes:
        """Return a photo's own bytes, or the smaller ones that a copy made to be sent has of it."""
        with self._reading:
            return picture_of(photo, self._reader.media())

    async def run(
        self,
        what: str,
        work: Callable[[Job, Tell, Cancelled], Result],
        *,
        can_stop: bool = False,
        done: Callable[[Result], Said] | None = None,
    ) -> Result | None:
        """Run a step in a thread; what it has to say, errors too, is in `said` afterwards."""
        if not self._working.acquire(blocking=False):
            self._say(
                Said("refused", f"{self.step.what if self.step else 'a step'} is under way: wait, or stop it")
            )
            return None
        self.step, self.said = Step(what, can_stop), None
        try:
            result = await asyncio.to_thread(work, self._job, self.step.tell, self.step.stop.is_set)
            self._say(done(result) if done else Said("done", f"{what}: done"))
            return result
        except (ElbowroomError, OSError) as error:
            self._say(Said("refused", str(error)))
            return None
        finally:
            self.step = None
            self._working.release()

    def _say(self, said: Said) -> None:
        self.said = said
        self.turn += 1

    def stop(self) -> None:
        """Ask the running step to stop."""
        if self.step is not None:
            self.step.stop.set()


def desk_in(folder: Path, name: str, author: str) -> Desk:
    """Open a job of a folder by its bare name, making it when it is not there.

    Raises
    ------
    InputError
        When the name is no plain file name.
    """
    from elbowroom.app.page.intake import checked_name

    plain = checked_name(name.strip())
    path = folder / (plain if plain.lower().endswith(".elbow") else f"{plain}.elbow")
    if not path.exists():
        SceneFile.create(path, Scene(name=path.stem), author=author).close()
    return Desk(path, author)
