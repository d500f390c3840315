"""``voidmap intake``: map a slab from its photos."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from voidmap.cli import options
from voidmap.cli.printing import emit, photograph_again, progress

if TYPE_CHECKING:
    from voidmap.records import Intake


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command()
    def intake(
        job: options.JobFolder,
        photos: options.Photos,
        slab_thickness: options.SlabThickness = None,
        lens: options.LensFile = None,
        bar_x: options.BarX = None,
        bar_y: options.BarY = None,
        board_thickness: options.BoardThickness = "0mm",
        reference: options.Reference = "boards",
        points: options.PointsFile = None,
        mm_per_px: options.MmPerPx = None,
        region: Annotated[
            str, typer.Option("--region", help="auto finds the slab; whole takes the whole picture as slab.")
        ] = "auto",
        peg: Annotated[
            list[str] | None,
            typer.Option(
                "--peg",
                metavar="SPEC",
                help="The last photo is by the light of one low lamp, and a peg of this height stands on bare wood: "
                "depths are read from shadows. The peg is looked for; or give its shadow's foot (where it leaves the "
                "peg) and tip in pixels of that photo, as in --peg '40mm 1310,905 1472,678'. Say it twice for two "
                "pegs, one at each end of the slab, when the lamp is nearer than twice the slab's length.",
            ),
        ] = None,
        shown: options.Units = "shop",
        as_json: options.AsJson = False,
    ) -> None:
        """Map the slab: outline, voids, flat things, depths and volumes.

        Example: voidmap intake desk slab-1.jpg slab-2.jpg slab-3.jpg --slab-thickness 45mm
        """
        from voidmap import units
        from voidmap.job.intake import STEPS, IntakeOptions, take_in

        chosen = IntakeOptions(
            thickness_mm=units.parse_length_mm(slab_thickness) if slab_thickness else None,
            lens_file=lens,
            bar_x_mm=tuple(units.parse_length_mm(text) for text in bar_x or ()),
            bar_y_mm=tuple(units.parse_length_mm(text) for text in bar_y or ()),
            board_thickness_mm=units.parse_length_mm(board_thickness),
            reference=reference,
            points=points,
            mm_per_px=mm_per_px,
            region=region,
            pegs=tuple(peg or ()),
        )
        with progress(len(STEPS), as_json=as_json) as step:
            record = take_in(job, photos, chosen, step)
        emit(record, as_json=as_json, text=lambda: _text(record, job))
        again = tuple(r for p in record.photos if p.quality.verdict == "reshoot" for r in p.quality.reasons)
        if again:
            photograph_again(again)


def _text(record: Intake, job: Path) -> str:
    from voidmap.report.tables import intake_text

    return intake_text(record, job)
