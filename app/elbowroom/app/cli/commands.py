"""All subcommands of the command line."""

from __future__ import annotations

import typer

from elbowroom.app.cli import exchange, files, job, strength, targets
from elbowroom.app.cli.demo import demo
from elbowroom.app.cli.page import page

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
app.command("lens")(job.lens)
app.command("measure")(job.measure)
app.command("fit")(job.fit)
app.command("check")(job.check)
app.command("strength")(strength.strength)
app.command("bend")(strength.bend)
app.command("show")(job.show)
app.command("history")(job.history)
app.command("undo")(job.undo)
app.command("redo")(job.redo)
app.command("share")(exchange.share)
app.command("merge")(exchange.merge)
app.command("settle")(exchange.settle)
app.command("differences")(exchange.differences)
app.command("write")(files.write)
app.command("schema")(files.schema)
app.command("demo")(demo)
app.command("page")(page)


@app.callback(invoke_without_command=True)
def _version(version: bool = typer.Option(False, "--version", help="Show the version and stop.")) -> None:
    if version:
        from importlib.metadata import version as installed

        typer.echo(f"elbowroom {installed('elbowroom')}")
        raise typer.Exit
