"""The page as a person starts it: a process of its own on a free port, and a browser if one is installed."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest
from playwright.sync_api import Browser, sync_playwright

START_S = 90.0
"""A busy machine loads everything in this time; nothing is asserted of it."""

BROWSERS = ("chromium", "chromium-browser", "google-chrome", "chrome")
FLAGS = (
    "--headless --no-sandbox --disable-gpu --disable-quic --no-first-run --disable-background-networking "
    "--disable-component-update --disable-sync --use-angle=swiftshader --enable-unsafe-swiftshader"
)
"""Software rendering, and nothing that the browser does on its own account over the network."""


@dataclass(frozen=True)
class RunningPage:
    """Where the page is served."""

    port: int
    process: subprocess.Popen[str]

    @property
    def url(self) -> str:
        """Return its address."""
        return f"http://127.0.0.1:{self.port}"

    def alive(self) -> bool:
        """Return whether the server still runs."""
        return self.process.poll() is None


@contextmanager
def running_page(job: Path | None, *, folder: Path) -> Iterator[RunningPage]:
    """Serve a job, or none, from a folder."""
    env = {k: v for k, v in os.environ.items() if not k.startswith(("PYTEST", "NICEGUI"))}
    env["PYTHONPATH"] = os.pathsep.join([*(p for p in sys.path if p), env.get("PYTHONPATH", "")])
    argv = [sys.executable, "-m", "elbowroom.app", *([str(job)] if job else ["page"]), "--no-browser"]
    process = subprocess.Popen(argv, cwd=folder, env=env, stdout=subprocess.PIPE, text=True)
    try:
        assert process.stdout is not None
        found = re.search(r"http://127\.0\.0\.1:(\d+)/", process.stdout.readline())
        assert found, "the page did not say where it is"
        page = RunningPage(int(found[1]), process)
        _wait(page.port)
        yield page
    finally:
        process.terminate()
        try:
            process.wait(20)
        except subprocess.TimeoutExpired:
            process.kill()


def _wait(port: int) -> None:
    import socket

    end = time.monotonic() + START_S
    while time.monotonic() < end:
        try:
            socket.create_connection(("127.0.0.1", port), timeout=1).close()
            return
        except OSError:
            time.sleep(0.2)
    pytest.fail("the page does not answer")


@contextmanager
def browser() -> Iterator[Browser]:
    """Start the machine's own browser; the test is skipped where there is none."""
    path = next((p for n in BROWSERS if (p := shutil.which(n))), None)
    if path is None:
        pytest.skip(f"no browser to drive the page with: none of {', '.join(BROWSERS)} is on the PATH")
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=path, args=FLAGS.split())
        try:
            yield started
        finally:
            started.close()
