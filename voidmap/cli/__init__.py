"""The command line: parses, calls a stage of ``voidmap.job``, prints. One file a command."""

from __future__ import annotations

import gc
import importlib
import os
import sys
from typing import Any

import typer
from typer.core import TyperGroup

from voidmap.cli.memory import keep_freed
from voidmap.errors import VoidmapError

# What the parser raises for a wrong option or argument; typer gives its base class no name of its own.
_UsageError: type[Any] = typer.BadParameter.__mro__[1]
COMMANDS = (
    "boards",
    "lens",
    "shots",
    "intake",
    "correct",
    "probe",
    "fill",
    "coat",
    "verdict",
    "sheet",
    "next",
    "guide",
    "demo",
    "schema",
)


# Matrices are small here: threads for their algebra cost more than they save. Read when NumPy loads, which is later.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
# Pictures that take huge pages wait for the kernel to clear and join memory for each: three to four times what small
# pages cost where memory is in pieces, a tenth of an intake. Read when NumPy loads, too.
os.environ.setdefault("NUMPY_MADVISE_HUGEPAGE", "0")
# New objects between two searches for cycles: more than a command makes. It lives for seconds, and its imports make
# hundreds of thousands of objects that stay; to search through them again and again takes a twentieth of an intake.
OBJECTS_BETWEEN_SEARCHES = 1_000_000


class OneSentence(TyperGroup):
    """Runs a command; whatever goes wrong ends in one sentence on standard error and an exit code."""

    def list_commands(self, ctx: Any) -> list[str]:
        """Keep the order of the work, not of the alphabet."""
        return list(COMMANDS)

    def resolve_command(self, ctx: Any, args: list[str]) -> Any:
        """Take the name of a folder alone for the question what the next step of the job in it is."""
        if len(args) == 1 and args[0] not in self.commands and os.path.isdir(args[0]):
            args = ["next", *args]
        return super().resolve_command(ctx, args)

    def main(self, *args: Any, **extra: Any) -> Any:
        """Run and exit: 0 done, 2 input can't be used, 3 can't tell, 1 a fault of the program."""
        try:
            code = super().main(*args, **{**extra, "standalone_mode": False})
        except VoidmapError as error:
            code = _say(str(error), error.exit_code)
        except _UsageError as error:
            sentence = error.format_message().rstrip(".")
            code = _say(f"{sentence}: see voidmap --help.", 2)
        except (typer.Abort, KeyboardInterrupt):
            code = _say("Stopped; nothing was half-written.", 130)
        except Exception as error:
            if os.environ.get("VOIDMAP_TRACEBACK"):
                raise
            code = _say(
                f"voidmap itself failed ({type(error).__name__}: {error}): please report it, with what "
                "VOIDMAP_TRACEBACK=1 in front of the command prints.",
                1,
            )
        sys.exit(code if isinstance(code, int) else 0)


def _say(sentence: str, code: int) -> int:
    typer.echo(" ".join(sentence.split()), err=True)
    return code


app = typer.Typer(
    cls=OneSentence,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)


def _version(asked: bool) -> None:
    if asked:
        from importlib.metadata import version

        typer.echo(f"voidmap {version('voidmap')}")
        raise typer.Exit


@app.callback(invoke_without_command=True)
def start(
    ctx: typer.Context,
    version: bool = typer.Option(False, "--version", callback=_version, is_eager=True, help="Print the version."),
) -> None:
    """From photos of a slab to a fill plan, and from photos of its coats to a verdict.

    Alone, or with a job folder alone, voidmap says what the next sensible step of the job is.
    """
    if ctx.invoked_subcommand is None:
        from pathlib import Path

        from voidmap.job.next_step import next_step

        typer.echo(next_step(Path(), "."))


for _command in COMMANDS:
    importlib.import_module(f"voidmap.cli.{_command}").register(app)


def main() -> None:
    """Run the program, and leave."""
    gc.set_threshold(OBJECTS_BETWEEN_SEARCHES)
    keep_freed()
    try:
        app()
    finally:
        # All that is left goes with the process: to look through it once more takes a tenth of a second.
        gc.freeze()
