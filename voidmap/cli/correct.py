"""``voidmap correct``: take the user's own corrections."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from voidmap.cli import options
from voidmap.cli.printing import emit

Ids = list[str] | None


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command()
    def correct(
        job: options.JobFolder,
        file: Annotated[
            Path | None, typer.Argument(metavar="[FILE]", help="corrections.json, saved from the sheet.")
        ] = None,
        drop: Annotated[Ids, typer.Option("--drop", metavar="ID", help="Not a defect: D07.")] = None,
        kind: Annotated[Ids, typer.Option("--kind", metavar="ID=KIND", help="D03=crack.")] = None,
        depth: Annotated[Ids, typer.Option("--depth", metavar="ID=LENGTH", help="Greatest depth: D05=12mm.")] = None,
        through: Annotated[Ids, typer.Option("--through", metavar="ID", help="It goes right through: D02.")] = None,
        note: Annotated[Ids, typer.Option("--note", metavar="ID=TEXT", help="A remark for the sheet.")] = None,
        thickness: Annotated[
            str | None, typer.Option("--thickness", metavar="LENGTH", help="The slab's thickness.")
        ] = None,
        as_json: options.AsJson = False,
    ) -> None:
        """Take your own corrections; they are kept apart from what was measured and survive a new intake.

        Example: voidmap correct desk --drop D07 --kind D03=crack --depth D05=12mm
        """
        from voidmap import units
        from voidmap.job.correct import Typed
        from voidmap.job.correct import correct as take
        from voidmap.report.tables import intake_text

        typed = Typed(
            drop=tuple(drop or ()),
            kind=tuple(kind or ()),
            depth=tuple(depth or ()),
            through=tuple(through or ()),
            note=tuple(note or ()),
            thickness_mm=units.parse_length_mm(thickness) if thickness else None,
        )
        record = take(job, file, typed)
        emit(record, as_json=as_json, text=lambda: intake_text(record, job))
