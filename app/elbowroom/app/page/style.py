"""What every window's head holds: the look, and what keeps the keyboard's place; read from their files."""

from __future__ import annotations

from pathlib import Path

STYLE = (Path(__file__).parent / "look.css").read_text(encoding="utf-8")
"""Rules of the whole page."""

FOCUS = (Path(__file__).parent / "focus.js").read_text(encoding="utf-8")
"""Keeps the focus where it was when parts are drawn anew."""
