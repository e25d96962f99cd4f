"""The command line: each subcommand parses, makes one call into `elbowroom.app.job`, and shows the result."""

from __future__ import annotations

import sys
from collections.abc import Sequence

__all__ = ["main"]

INTERRUPTED = 130
"""Exit code of a command stopped from the keyboard (128 + SIGINT, POSIX shell convention)."""


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line; returns the exit code: 0 done, 1 a check failed, 2 an error that was explained."""
    try:
        return _run(list(sys.argv[1:] if argv is None else argv))
    except KeyboardInterrupt:
        print("error: stopped; the job is as it was before this step", file=sys.stderr)
        return INTERRUPTED


def _run(arguments: list[str]) -> int:
    """Load the subcommands (inside `main`, so that an interrupt while loading is explained too) and run one."""
    import typer

    from elbowroom.app.cli.commands import app
    from elbowroom.app.cli.page import with_page
    from elbowroom.app.cli.show import complain
    from elbowroom.shared.errors import ElbowroomError

    try:
        result = app(with_page(arguments), standalone_mode=False)
    except ElbowroomError as error:
        complain(str(error))
        return 2
    except OSError as error:
        complain(
            f"{error.filename or 'a file'}: can't be read or written ({error.strerror}); check the name and the folder"
        )
        return 2
    except typer.Exit as stop:
        return stop.exit_code
    except typer.Abort:
        raise KeyboardInterrupt from None
    except Exception as error:
        if hasattr(error, "format_message"):  # a usage error of the command line
            complain(error.format_message())
            return 2
        raise
    if result == INTERRUPTED:  # how typer reports an interrupt inside a subcommand
        raise KeyboardInterrupt
    return result if isinstance(result, int) else 0
