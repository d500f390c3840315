"""``voidmap next``: what the next sensible step of a job is."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command(name="next")
    def say_next(
        job: Annotated[Path, typer.Argument(metavar="[JOB]", help="The job folder.", show_default=False)] = Path(),
    ) -> None:
        """Say what the next sensible step of a job is.

        voidmap JOB alone says the same.

        Example: voidmap next desk
        """
        from voidmap.job.next_step import next_step

        typer.echo(next_step(job, str(job)))
