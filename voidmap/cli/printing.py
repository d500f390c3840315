"""How every command speaks: results on standard output, all else on standard error."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import typer

Steps = Callable[[str], None]


def emit(record: Any, *, as_json: bool, text: Callable[[], str]) -> None:
    """Print a result: as JSON when asked for, else as the short text that ``text`` makes."""
    from voidmap.schemas import to_json_text

    typer.echo(to_json_text(record) if as_json else text(), nl=not as_json)


def with_next(words: str, job: Path) -> str:
    """Return a result's words and, below them, what the next sensible step of the job is."""
    from voidmap.job.next_step import next_step

    return f"{words}\n\nNext: {next_step(job, str(job))}"


def note(message: str) -> None:
    """Print a remark on standard error."""
    typer.echo(message, err=True)


def photograph_again(reasons: tuple[str, ...]) -> None:
    """End with exit code 3: the answer is "can't tell, take another photo"."""
    for reason in reasons:
        note(reason)
    raise typer.Exit(3)


@contextmanager
def progress(total: int, *, as_json: bool) -> Iterator[Steps]:
    """Show a progress bar over ``total`` steps on standard error; silent with JSON or without a terminal.

    Yields a function that is called with a step's name when the step begins.
    """
    if as_json or not sys.stderr.isatty():
        yield lambda step: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, SpinnerColumn, TextColumn, TimeElapsedColumn

    columns = (SpinnerColumn(), TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("", total=total)
        begun = False

        def step(name: str) -> None:
            nonlocal begun
            bar.update(task, description=name, advance=1 if begun else 0)
            begun = True

        yield step
