"""The house itself: rooms, packaging, and the words on the door."""

import re
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
ROOMS = ("recon", "fit", "export", "shared", "app")


def test_the_namespace_package_stays_one() -> None:
    """PEP 420: an `__init__.py` in one portion would hide the other rooms."""
    for room in ROOMS:
        assert not (ROOT / room / "elbowroom" / "__init__.py").exists()
        assert (ROOT / room / "elbowroom" / room / "__init__.py").is_file()


def test_each_room_names_at_most_ten() -> None:
    for room in ROOMS[:4]:
        text = (ROOT / room / "elbowroom" / room / "__init__.py").read_text(encoding="utf-8")
        names = re.search(r"__all__ = \[(.*?)\]", text, re.S)
        assert names is not None, room
        assert 1 <= names.group(1).count('"') // 2 <= 10, room


def test_fixtures_stay_small() -> None:
    kept = (p for p in (ROOT / "fixtures").rglob("*") if p.is_file() and "cache" not in str(p.parent))
    sizes = [p.stat().st_size for p in kept]
    assert sum(sizes) < 25e6
    photos = list((ROOT / "fixtures" / "demo" / "photos").glob("*.jpg"))
    assert len(photos) >= 12
    assert sum(p.stat().st_size for p in photos) < 20e6


@pytest.mark.slow
def test_the_wheel_holds_every_room_and_its_tables(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "pip", "wheel", "-q", "--no-deps", "-w", str(tmp_path), str(ROOT)]
    subprocess.run(command, check=True)
    names = zipfile.ZipFile(next(tmp_path.glob("*.whl"))).namelist()
    for room in ROOMS:
        assert f"elbowroom/{room}/__init__.py" in names
    assert "elbowroom/__init__.py" not in names
    assert any(n.startswith("elbowroom/shared/tables/") and n.endswith(".csv") for n in names)
