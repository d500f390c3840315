"""``voidmap verdict``: what to do after the newest coat."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from voidmap import shown
from voidmap.cli import options
from voidmap.cli.printing import emit, photograph_again, with_next

if TYPE_CHECKING:
    from voidmap.records import Verdict

MOST_SITES = 12
"""So many sites of one kind are named; the sheet has them all."""
_WORDS = {
    "seal_again": "SEAL AGAIN",
    "spot_fill": "SPOT-FILL",
    "flood": "FLOOD",
    "reshoot": "PHOTOGRAPH AGAIN",
}


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command()
    def verdict(
        job: options.JobFolder,
        finish: Annotated[
            str,
            typer.Option("--finish", help="What was agreed: client, shop or own (numbers in the result)."),
        ] = "client",
        allowed: Annotated[
            int | None, typer.Option("--allowed", help="Pinholes that may be left, in place of the finish's.")
        ] = None,
        smallest: Annotated[
            str | None,
            typer.Option("--smallest", metavar="LENGTH", help="The size that counts, such as 0.5mm."),
        ] = None,
        by_hand: Annotated[
            int | None, typer.Option("--by-hand", help="The most sites that you would touch in by hand.")
        ] = None,
        coat_price: Annotated[float | None, typer.Option("--coat-price", help="Cost of one more coat.")] = None,
        defect_price: Annotated[
            float | None, typer.Option("--defect-price", help="Cost of one pinhole under the flood coat.")
        ] = None,
        shown: options.Units = "shop",
        as_json: options.AsJson = False,
    ) -> None:
        """Decide what to do after a coat, and say why.

        Seal again, spot-fill, flood, or photograph again.

        Example: voidmap verdict desk --finish client
        """
        from voidmap import units
        from voidmap.job.verdict import decide

        record = decide(
            job,
            finish=finish,
            allowed=allowed,
            smallest_mm=units.parse_length_mm(smallest) if smallest else None,
            by_hand=by_hand,
            coat_price=coat_price,
            defect_price=defect_price,
        )
        emit(record, as_json=as_json, text=lambda: with_next(verdict_text(record), job))
        if record.decision == "reshoot":
            photograph_again(record.would_change)


def verdict_text(record: Verdict) -> str:
    """Return a verdict as a few lines to read at the bench."""
    after = record.expected_after_next
    lines = [f"{_WORDS[record.decision]}  ({shown.call_right(record.confidence)})"]
    lines += [f"  {reason}" for reason in record.reasons]
    if record.closure_rate is not None:
        lo, hi = record.closure_interval
        lines.append(f"  A coat closes {record.closure_rate:.0%} of this slab's sites ({lo:.0%} to {hi:.0%}).")
    lo, hi = after.interval
    lines.append(f"  After one more coat about {after.count:.0f} would be left ({lo:.0f} to {hi:.0f}).")
    for advice in dict.fromkeys(s.advice for s in record.sites):
        places = [f"{s.site} ({s.x_mm:.0f}, {s.y_mm:.0f})" for s in record.sites if s.advice == advice]
        more = f" and {len(places) - MOST_SITES} more in the sheet" if len(places) > MOST_SITES else ""
        lines.append(f"  {', '.join(places[:MOST_SITES])} mm{more}: {advice}.")
    lines += [f"  Would change it: {change}" for change in record.would_change]
    return "\n".join(lines)
