"""Options that several commands share, each written once."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def _show_in(ctx: typer.Context, system: str) -> str:
    """Show quantities in these units until the command ends."""
    from voidmap.shown import shown_in

    if not ctx.resilient_parsing:
        ctx.with_resource(shown_in(system))
    return system


JobFolder = Annotated[Path, typer.Argument(metavar="JOB", help="The job folder.", show_default=False)]
Photos = Annotated[
    list[Path],
    typer.Argument(metavar="PHOTO...", help="One or more photos (JPEG, PNG, TIFF, HEIC).", show_default=False),
]
AsJson = Annotated[bool, typer.Option("--json", help="Print the result as JSON and nothing else.")]
LensFile = Annotated[Path | None, typer.Option("--lens", metavar="LENS.json", help="A lens file made by voidmap lens.")]
BarX = Annotated[
    list[str] | None,
    typer.Option(
        "--bar-x",
        metavar="LENGTH",
        help="The printed check bar along x (drawn 200 mm long), as you measured it. Once for each board that you "
        "measured: readings average out.",
    ),
]
BarY = Annotated[
    list[str] | None,
    typer.Option("--bar-y", metavar="LENGTH", help="The check bar along y (150 mm), as you measured it."),
]
BoardThickness = Annotated[
    str, typer.Option("--board-thickness", metavar="LENGTH", help="Thickness of boards glued on a panel.")
]
SlabThickness = Annotated[
    str | None, typer.Option("--slab-thickness", metavar="LENGTH", help="The slab's thickness, such as 45mm.")
]
Reference = Annotated[
    str,
    typer.Option(
        "--reference",
        metavar="KIND",
        help="What gives the scale: boards, a4, letter, id1, or points.",
    ),
]
PointsFile = Annotated[
    str | None,
    typer.Option(
        "--points",
        metavar="SPEC",
        help="With --reference points: two points and their distance 'x,y x,y LENGTH', or a rectangle's four "
        "corners and its sides 'x,y x,y x,y x,y LENGTH LENGTH', in pixels of the upright photo.",
    ),
]
Units = Annotated[
    str,
    typer.Option(
        "--units",
        metavar="shop|metric",
        envvar="VOIDMAP_UNITS",
        help="Show inches and fluid ounces with metric beside (shop), or metric alone.",
        callback=_show_in,
        autocompletion=lambda: ["shop", "metric"],
    ),
]
MmPerPx = Annotated[
    float | None,
    typer.Option("--mm-per-px", help="For a picture that is square-on and to scale: mm in one pixel."),
]
