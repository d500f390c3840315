"""``voidmap shots``: plan how high, and how many photos."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from voidmap.cli import options
from voidmap.cli.printing import emit


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command()
    def shots(
        slab: Annotated[str, typer.Option("--slab", metavar="LENGTHxWIDTH", help="The slab, such as 3.2mx0.6m.")],
        smallest: Annotated[str, typer.Option("--smallest", metavar="LENGTH", help="The smallest defect of interest.")],
        lens: Annotated[Path, typer.Option("--lens", metavar="LENS.json", help="A lens file made by voidmap lens.")],
        aperture: Annotated[float | None, typer.Option("--aperture", help="The f-number, such as 1.8.")] = None,
        out: Annotated[Path | None, typer.Option("--out", metavar="PLAN.svg", help="Where to draw the plan.")] = None,
        as_json: options.AsJson = False,
    ) -> None:
        """Plan the photos of a slab.

        How high, how many, how much they overlap, and where the boards lie.

        Example: voidmap shots --slab 3.2mx0.6m --smallest 0.5mm --lens phone.lens.json --out plan.svg
        """
        from voidmap.job.shots import plan, shots_text

        made = plan(slab, smallest, lens, aperture=aperture, out=out)
        emit(made, as_json=as_json, text=lambda: shots_text(made))
