"""``voidmap sheet``: one self-contained page to read, correct and hand over."""

from __future__ import annotations

import json
from typing import Annotated

import typer

from voidmap.cli import options


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command()
    def sheet(
        job: options.JobFolder,
        no_costs: Annotated[bool, typer.Option("--no-costs", help="Leave prices out, for the client.")] = False,
        as_json: options.AsJson = False,
    ) -> None:
        """Write the job sheet: one page to read at the bench, correct by tapping, print and hand over.

        Example: voidmap sheet desk --no-costs
        """
        from voidmap.job.sheet import write_sheet

        place = write_sheet(job, costs=not no_costs)
        said = {"schema": "voidmap/sheet/1", "sheet": str(place)}
        typer.echo(json.dumps(said) if as_json else f"Open {place} in a browser.")
