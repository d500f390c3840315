"""``voidmap coat``: count and track pinholes after a coat."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from voidmap.cli import options
from voidmap.cli.printing import emit, photograph_again, progress, with_next

if TYPE_CHECKING:
    from voidmap.records import CoatRecord


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command()
    def coat(
        job: options.JobFolder,
        photos: options.Photos,
        number: Annotated[int, typer.Option("--number", help="Which coat this is: 1 for the first.")],
        sanded: Annotated[bool, typer.Option("--sanded", help="The coat was sanded and is a pale haze.")] = False,
        smallest: Annotated[
            str, typer.Option("--smallest", metavar="LENGTH", help="The smallest pinhole that matters.")
        ] = "0.5mm",
        lens: options.LensFile = None,
        bar_x: options.BarX = None,
        bar_y: options.BarY = None,
        board_thickness: options.BoardThickness = "0mm",
        mm_per_px: options.MmPerPx = None,
        region: Annotated[
            str, typer.Option("--region", help="auto finds the slab; whole takes the whole picture as slab.")
        ] = "auto",
        shown: options.Units = "shop",
        as_json: options.AsJson = False,
    ) -> None:
        """Count the pinholes left after a coat.

        They are followed from coat to coat by their place on the slab.

        Example: voidmap coat desk after-coat-1.jpg --number 1
        """
        from voidmap import units
        from voidmap.coat.again import why_again
        from voidmap.job.coat import STEPS, CoatOptions, inspect

        chosen = CoatOptions(
            number=number,
            sanded=sanded,
            smallest_mm=units.parse_length_mm(smallest),
            lens_file=lens,
            bar_x_mm=tuple(units.parse_length_mm(text) for text in bar_x or ()),
            bar_y_mm=tuple(units.parse_length_mm(text) for text in bar_y or ()),
            board_thickness_mm=units.parse_length_mm(board_thickness),
            mm_per_px=mm_per_px,
            region=region,
        )
        with progress(len(STEPS), as_json=as_json) as step:
            record = inspect(job, photos, chosen, step)
        emit(record, as_json=as_json, text=lambda: with_next(coat_text(record), job))
        again = why_again(record, chosen.smallest_mm)
        if again:
            photograph_again(again)


def coat_text(record: CoatRecord) -> str:
    """Return a coat as a few lines to read at the bench."""
    from voidmap import shown
    from voidmap.report.tables import photo_line

    lo, hi = record.count_interval
    kept = sum(p.state == "kept" for p in record.pinholes)
    lines = [
        f"Coat {record.number} ({record.surface}): {record.count} pinholes found, {lo:.0f} to {hi:.0f} there.",
        f"  Looked at {shown.area(record.inspected_area_mm2)}; {shown.area(record.hidden_area_mm2)} hidden.",
    ]
    if not lo <= record.count <= hi:
        more = (
            "too small or faint for this photo are reckoned in" if record.count < lo else "likely false are taken off"
        )
        lines.append(f"  The number there is not the number found: pinholes {more}.")
    if record.closed or kept:
        gone = sum(c.seen for c in record.closed)
        lines.append(
            f"  {kept} kept from earlier coats, {gone} closed, {len(record.closed) - gone} not seen this time."
        )
    power = record.power
    if power.d90_mm is not None:
        bound = f", at 95 % confidence {power.d90_95_mm:.2f} mm" if power.d90_95_mm is not None else ""
        lines.append(
            f"  This photo shows nine of ten pinholes of {power.d90_mm:.2f} mm{bound} "
            f"({power.found} of {power.planted} planted ones found)."
        )
    else:
        lines.append(f"  {_without_limit(record)}")
    if record.align_rms_mm is not None:
        lines.append(f"  Laid onto the earlier coat to {record.align_rms_mm:.2f} mm.")
    lines += [f"  {photo_line(photo)}" for photo in record.photos if photo.quality.verdict != "good"]
    yours = (f"  From you: {sentence}" for sentence in record.from_user)
    return "\n".join([*lines, *yours, *(f"  {note}" for note in record.notes)])


def _without_limit(record: CoatRecord) -> str:
    from voidmap.coat.again import shown_share

    power = record.power
    share = shown_share(record, record.smallest_mm)
    if share is None:
        return f"Of {power.planted} planted pinholes {power.found} were found: what the photo shows can't be told."
    return (
        f"This photo shows about {share:.0%} of the pinholes of {record.smallest_mm:g} mm and over, and nine of ten of "
        f"no size that was tried ({power.found} of {power.planted} planted ones found)."
    )
