"""The command line: each subcommand parses, makes one call into `elbowroom.app.job`, and shows the result."""

from __future__ import annotations

import sys
from collections.abc import Sequence

import typer

from elbowroom.app.cli import files, job, targets
from elbowroom.app.cli.demo import demo
from elbowroom.app.cli.show import complain
from elbowroom.shared.errors import ElbowroomError

__all__ = ["main"]

app = typer.Typer(
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    help="From phone photos of a crowded spot to a steel plate that fits there the first time.",
)
app.command("targets")(targets.targets)
app.command("bar")(targets.bar)
app.command("new")(job.new)
app.command("add")(job.add)
app.command("tags")(job.tags)
app.command("measure")(job.measure)
app.command("fit")(job.fit)
app.command("check")(job.check)
app.command("show")(job.show)
app.command("history")(job.history)
app.command("undo")(job.undo)
app.command("redo")(job.redo)
app.command("write")(files.write)
app.command("schema")(files.schema)
app.command("demo")(demo)


@app.callback(invoke_without_command=True)
def _version(version: bool = typer.Option(False, "--version", help="Show the version and stop.")) -> None:
    if version:
        from importlib.metadata import version as installed

        typer.echo(f"elbowroom {installed('elbowroom')}")
        raise typer.Exit


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line; returns the exit code: 0 done, 1 a check failed, 2 an error that was explained."""
    arguments = list(sys.argv[1:] if argv is None else argv)
    try:
        result = app(arguments, standalone_mode=False)
    except ElbowroomError as error:
        complain(str(error))
        return 2
    except typer.Exit as stop:
        return stop.exit_code
    except (KeyboardInterrupt, typer.Abort):
        complain("stopped; what was saved before is safe")
        return 130
    except Exception as error:
        if hasattr(error, "format_message"):  # a usage error of the command line
            complain(error.format_message())
            return 2
        raise
    return result if isinstance(result, int) else 0


if __name__ == "__main__":
    sys.exit(main())
