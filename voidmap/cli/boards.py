"""``voidmap boards``: print scale boards at true size."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from voidmap.cli import options


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command()
    def boards(
        out: Annotated[Path, typer.Option("--out", metavar="FILE.pdf", help="Where to write the PDF.")],
        paper: Annotated[str, typer.Option("--paper", help="a4 or letter.")] = "letter",
        count: Annotated[
            int, typer.Option("--count", help="How many boards, 1 to 14; voidmap shots says how many a long top takes.")
        ] = 4,
        as_json: options.AsJson = False,
    ) -> None:
        """Print scale boards, A to D or more, at true size.

        Example: voidmap boards --paper letter --out boards.pdf
        """
        from voidmap.cli.printing import emit
        from voidmap.files import write_bytes
        from voidmap.records import BoardsPrinted
        from voidmap.scale.boards import board_name
        from voidmap.scale.sheet_pdf import boards_pdf

        write_bytes(out, boards_pdf(paper, count))
        which = "board A" if count == 1 else f"boards A to {board_name(count - 1)[-1]}"
        emit(
            BoardsPrinted(str(out), paper.lower(), count),
            as_json=as_json,
            text=lambda: (
                f"Wrote {out}: {which} on {paper.lower()} paper. Print at actual size on matt paper and measure "
                "both bars (200 and 150 mm); give --bar-x and --bar-y to the commands that read photos."
            ),
        )
