"""`collargap`: the commands, each imported only when asked for, as the first word has to come quickly."""

from __future__ import annotations

import os
import sys
from contextlib import suppress
from importlib import import_module
from typing import Annotated, Any

import typer
from typer.core import TyperGroup

# Name of the command: its module, and there a function, or a Typer with commands of its own.
COMMANDS = {
    "check": ("cli.check", "check_command"),
    "fittings": ("cli.lists", "fittings_command"),
    "reasons": ("cli.lists", "reasons_command"),
    "joint": ("cli.joint", "joint_command"),
    "compare": ("cli.compare", "compare_command"),
    "premark": ("cli.premark", "premark_command"),
    "job": ("cli.job", "job"),
    "find": ("cli.jobs.history", "find"),
    "show": ("cli.jobs.history", "show"),
    "serve": ("cli.serve", "serve_command"),
    "camera": ("cli.camera", "app"),
    "study": ("cli.study", "study_command"),
}
UNWRITTEN, INTERRUPTED = 1, 130


class _Commands(TyperGroup):
    """Finds a command's module by its name."""

    def list_commands(self, ctx: Any) -> list[str]:  # noqa: ARG002
        """Names in the order of COMMANDS."""
        return list(COMMANDS)

    def get_command(self, ctx: Any, cmd_name: str) -> Any:  # noqa: ARG002
        """The command of this name, or None."""
        if cmd_name not in COMMANDS:
            return None
        module, function = COMMANDS[cmd_name]
        found = getattr(import_module(module), function)
        if isinstance(found, typer.Typer):
            return typer.main.get_command(found)
        single = typer.Typer(add_completion=False)
        single.command(cmd_name)(found)
        return typer.main.get_command(single)


app = typer.Typer(cls=_Commands, add_completion=False, no_args_is_help=True, pretty_exceptions_enable=False)


def _version(asked: bool) -> None:
    if asked:
        from cli.answer import program_version

        typer.echo(f"collargap {program_version()}")
        raise typer.Exit


@app.callback()
def collargap(
    version: Annotated[bool, typer.Option("--version", callback=_version, is_eager=True,
                                          help="Show the version and leave.")] = False,
) -> None:
    """From one phone photo of a pressed pipe joint: was the pipe fully in when the collar was pressed?

    A photo shows how far the pipe is in, not how tight the joint is.
    """


def run() -> None:
    """The entry point: odd characters never stop a sentence, Ctrl-C and a full disk end politely."""
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure:
            reconfigure(errors="backslashreplace")
    try:
        app()
    except KeyboardInterrupt:
        sys.exit(INTERRUPTED)
    except OSError as error:
        _output_lost(error)


def _output_lost(error: OSError) -> None:
    """A sentence where standard output can't be written.  What it still holds is dropped: at its end Python would try
    to write it once more."""
    from cli.files import is_output_lost

    if not is_output_lost(error):
        raise error
    typer.echo(f"Standard output could not be written ({error.strerror}). Make room where it goes, and run the command "
               "again.", err=True)
    with suppress(OSError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    sys.exit(UNWRITTEN)
