"""Everything that must hold before a change goes in: style, types, the rooms' arrows, all tests.

`python tests/run.py --fast` leaves the slow tests out.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent


def main(arguments: list[str]) -> int:
    """Run the checks in order; return the exit code of the first that fails."""
    tests = ["pytest", "-q", "-n", "2", "--dist", "loadfile"]
    if "--fast" in arguments:
        tests += ["-m", "not slow"]
    for command in (
        ["ruff", "check", "."],
        ["ruff", "format", "--check", "."],
        ["mypy"],
        ["importlinter.cli", "lint"],
        tests,
    ):
        print("==", " ".join(command), flush=True)
        run = ["-c", "import sys; from importlinter.cli import lint_imports_command as c; sys.exit(c())"]
        argv = run if command[0] == "importlinter.cli" else ["-m", *command]
        code = subprocess.run([sys.executable, *argv], cwd=ROOT).returncode
        if code:
            return code
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
