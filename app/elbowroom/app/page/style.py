"""The page's look, read from its file."""

from __future__ import annotations

from pathlib import Path

STYLE = (Path(__file__).parent / "look.css").read_text(encoding="utf-8")
"""Rules of the whole page."""
