"""``voidmap fill``: the fill plan."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from voidmap.cli import options
from voidmap.cli.printing import emit, note, with_next
from voidmap.errors import ValueRefused


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command()
    def fill(
        job: options.JobFolder,
        overfill: Annotated[
            str, typer.Option("--overfill", metavar="LENGTH", help="Height over the rim, to be sanded flush.")
        ] = "1mm",
        temperature: Annotated[
            str | None,
            typer.Option("--temperature", metavar="TEMP", help="Of shop, slab and resin, such as 72F or 22C."),
        ] = None,
        chance_short: Annotated[
            float, typer.Option("--chance-short", help="Accepted chance that any cup runs short.")
        ] = 0.05,
        scale_step: Annotated[
            str, typer.Option("--scale-step", metavar="STEP", help="What you measure with: 0.1g, 1g or 1ml.")
        ] = "1g",
        seal_coats: Annotated[
            int | None, typer.Option("--seal-coats", help="Seal coats before the flood coat.")
        ] = None,
        method: Annotated[
            list[str] | None,
            typer.Option("--method", metavar="ID=METHOD", help="Your own choice for a void, as in D03=wax_stick."),
        ] = None,
        lifts: Annotated[
            int | None, typer.Option("--lifts", help="The most lifts you mean to pour; checked against the resin.")
        ] = None,
        coat_every: Annotated[
            str | None,
            typer.Option("--coat-every", metavar="TIME", help="Time between two coats, checked: such as 6h."),
        ] = None,
        start: Annotated[
            str, typer.Option("--start", metavar="TIME", help="Time of day of the first stir, such as 8:00.")
        ] = "8:00",
        csv: Annotated[Path | None, typer.Option("--csv", metavar="FILE", help="Also write the pours as CSV.")] = None,
        page: Annotated[
            Path | None, typer.Option("--page", metavar="FILE.html", help="Also write a page to print.")
        ] = None,
        shown: options.Units = "shop",
        as_json: options.AsJson = False,
    ) -> None:
        """Plan the fill, in the order of the work.

        Method for each void, amounts, batches, lifts, dams and coats.

        Example: voidmap fill desk --temperature 72F --scale-step 0.1g --page plan.html
        """
        from voidmap import units
        from voidmap.fill.text import fill_text
        from voidmap.job.fill import plan_fill, write_csv, write_page

        record = plan_fill(
            job,
            overfill_mm=units.parse_length_mm(overfill),
            temperature_c=units.parse_temperature_c(temperature) if temperature else None,
            chance=chance_short,
            scale_step=scale_step,
            seal_coats=seal_coats,
            methods=_choices(method or []),
            most_lifts=lifts,
            coat_every_h=units.parse_time_h(coat_every) if coat_every else None,
            start_h=units.parse_clock_h(start),
        )
        if csv is not None:
            write_csv(record, csv)
        if page is not None:
            write_page(record, page, title=job.resolve().name)
        emit(record, as_json=as_json, text=lambda: with_next(fill_text(record), job))
        for place in (csv, page):
            if place is not None:
                note(f"Wrote {place}")


def _choices(given: list[str]) -> dict[str, str]:
    chosen = {}
    for text in given:
        defect, sign, name = text.partition("=")
        if not sign or not defect.strip() or not name.strip():
            raise ValueRefused(f"--method {text} can't be read", "write it as D03=wax_stick")
        chosen[defect.strip().upper()] = name.strip()
    return chosen
