"""``voidmap lens``: fit the lens from photos of a board."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from voidmap.cli import options
from voidmap.cli.printing import emit


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command()
    def lens(
        photos: options.Photos,
        out: Annotated[Path, typer.Option("--out", metavar="LENS.json", help="Where to write the lens file.")],
        as_json: options.AsJson = False,
    ) -> None:
        """Fit the lens from 8 to 20 photos of one board.

        Tilt the board, and lay it in all parts of the frame.

        Example: voidmap lens board-*.jpg --out phone.lens.json
        """
        from voidmap.job.lens import lens_text, make_lens

        record = make_lens(photos, out)
        emit(record, as_json=as_json, text=lambda: lens_text(record, out))
