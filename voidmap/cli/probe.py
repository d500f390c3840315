"""``voidmap probe``: depth readings, and which to take next."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from voidmap.cli import options
from voidmap.cli.printing import emit

if TYPE_CHECKING:
    from voidmap.records import ProbeAdvice


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command()
    def probe(
        job: options.JobFolder,
        readings: Annotated[
            list[str] | None,
            typer.Argument(
                metavar="[READING...]",
                help="Greatest depth of a void (D03=18mm) or its depth at a numbered dot (D03@2=7mm).",
                show_default=False,
            ),
        ] = None,
        gauge_error: Annotated[
            str | None,
            typer.Option("--gauge-error", metavar="LENGTH", help="Standard error of the depth gauge, such as 0.3mm."),
        ] = None,
        shown: options.Units = "shop",
        as_json: options.AsJson = False,
    ) -> None:
        """Record depths, and name voids to measure next.

        Example: voidmap probe job D03=18mm D05@2=7mm
        """
        from voidmap import units
        from voidmap.job.probe import probe as record_and_advise

        gauge_mm = units.parse_length_mm(gauge_error) if gauge_error else None
        advice = record_and_advise(job, readings or (), gauge_mm=gauge_mm)
        emit(advice, as_json=as_json, text=lambda: probe_text(advice))


def probe_text(advice: ProbeAdvice) -> str:
    """Return the advice as a few lines to read at the bench."""
    from voidmap import shown

    lines = [f"Recorded: {sentence}" for sentence in advice.recorded]
    total = shown.volume_with(advice.total_ml, advice.total_interval_ml)
    lines.append(f"Total volume now {total}; ranges are 95 % intervals.")
    if advice.readings:
        lines.append("Worth measuring next, greatest depth, in this order:")
    for n, reading in enumerate(advice.readings, start=1):
        lo, hi = reading.total_interval_ml
        lines.append(
            f"  {n}. {reading.defect}: about {shown.length(reading.expected_mm)} expected; "
            f"the total would then be known to {lo:.1f} to {hi:.1f} ml."
        )
    for reading in advice.readings:
        if len(reading.dots_mm) > 1:
            dots = ", ".join(f"{k} at ({x:.0f}, {y:.0f}) mm" for k, (x, y) in enumerate(reading.dots_mm, start=1))
            lines.append(f"  Dots in {reading.defect}, if you can take more than one: {dots}.")
    if not advice.readings:
        lines.append("No single reading would narrow the total by much.")
    if advice.looks:
        lines.append(
            "Flat on the map: feel whether it is hollow. If so, measure it; else voidmap correct JOB --drop ID:"
        )
    for reading in advice.looks:
        lo, hi = reading.total_interval_ml
        likelier = "it is" if reading.void_interval_ml.hi > 0 else "it is not"
        lines.append(
            f"  {reading.defect}: {reading.void_probability:.0%} likely a void, about "
            f"{shown.length(reading.expected_mm)} deep then; if {likelier}, the total is {lo:.1f} to {hi:.1f} ml."
        )
    lines += [f"Disagreement: {sentence}" for sentence in advice.disagreements]
    return "\n".join(lines)
