"""``voidmap sheet``: one self-contained page to read, correct and hand over."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer

from voidmap.cli import options


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command()
    def sheet(
        job: options.JobFolder,
        no_costs: Annotated[
            bool, typer.Option("--no-costs", "--without-costs", help="Leave prices out, for the client.")
        ] = False,
        map_file: Annotated[
            Path | None,
            typer.Option(
                "--map",
                metavar="FILE",
                help="Write the map instead: .png, .svg (true mm), .pdf (1:1 in pages), .dxf (R12) or .csv.",
                show_default=False,
            ),
        ] = None,
        paper: Annotated[str, typer.Option("--paper", help="Paper of the 1:1 PDF: letter or a4.")] = "letter",
        shown: options.Units = "shop",
        as_json: options.AsJson = False,
    ) -> None:
        """Write the job sheet.

        One page to read at the bench, correct by tapping, print and hand over.

        Example: voidmap sheet desk --no-costs
        """
        from voidmap.job.sheet import write_map, write_sheet

        if map_file is not None:
            place = write_map(job, map_file, paper=paper)
            said = {"schema": "voidmap/sheet/1", "map": str(place)}
            typer.echo(json.dumps(said) if as_json else f"The map stands in {place}.")
            return
        place = write_sheet(job, costs=not no_costs)
        said = {"schema": "voidmap/sheet/1", "sheet": str(place)}
        typer.echo(json.dumps(said) if as_json else f"Open {place} in a browser.")
