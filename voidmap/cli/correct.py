"""``voidmap correct``: take the user's own corrections."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from voidmap import shown
from voidmap.cli import options
from voidmap.cli.printing import emit

if TYPE_CHECKING:
    from voidmap.job.correct import Corrected

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
        lint: Annotated[
            Ids, typer.Option("--lint", metavar="SITE", help="No pinhole: S012, or S012@2 in coat 2.")
        ] = None,
        thickness: Annotated[
            str | None, typer.Option("--thickness", metavar="LENGTH", help="The slab's thickness.")
        ] = None,
        shown: options.Units = "shop",
        as_json: options.AsJson = False,
    ) -> None:
        """Take your corrections of the map and of the coats.

        They are kept apart from what was measured and survive a new intake.

        Example: voidmap correct desk --drop D07 --kind D03=crack --depth D05=12mm
        """
        from voidmap import units
        from voidmap.job.correct import Typed
        from voidmap.job.correct import correct as take

        typed = Typed(
            drop=tuple(drop or ()),
            kind=tuple(kind or ()),
            depth=tuple(depth or ()),
            through=tuple(through or ()),
            note=tuple(note or ()),
            lint=tuple(lint or ()),
            thickness_mm=units.parse_length_mm(thickness) if thickness else None,
        )
        done = take(job, file, typed)
        emit(done.intake or done.coats[-1], as_json=as_json, text=lambda: _text(done, job))


def _text(done: Corrected, job: Path) -> str:
    from voidmap.report.tables import intake_text

    lines = [f"Worked out again: {', '.join(done.again)}." if done.again else "Nothing changed by it."]
    for coat in done.coats:
        if f"coat {coat.number}" in done.again:
            lines += [f"Coat {coat.number}: {sentence}" for sentence in coat.from_user]
            lo, hi = coat.count_interval
            lines.append(f"Coat {coat.number}: {coat.count} pinholes, {lo:.0f} to {hi:.0f} there.")
    if "verdict" in done.again and done.verdict is not None:
        lines.append(f"Verdict: {done.verdict.decision.replace('_', ' ')} ({shown.chance(done.verdict.confidence)}).")
    if done.intake is not None and ("map" in done.again or "notes" in done.again):
        lines += ["", intake_text(done.intake, job)]
    return "\n".join([*lines, f"See it in a new sheet: voidmap sheet {job}"])
