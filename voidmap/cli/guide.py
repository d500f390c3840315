"""``voidmap guide``: one page on how to photograph a slab."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer

from voidmap.cli import options


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command()
    def guide(
        out: Annotated[Path, typer.Option("--out", metavar="FILE.pdf", help="Where to write the PDF.")],
        paper: Annotated[str, typer.Option("--paper", help="a4 or letter.")] = "letter",
        as_json: options.AsJson = False,
    ) -> None:
        """Print one page on how to photograph a slab.

        Example: voidmap guide --paper letter --out guide.pdf
        """
        from voidmap.files import write_bytes
        from voidmap.report.guide import guide_pdf

        write_bytes(out, guide_pdf(paper.lower()))
        said = {"schema": "voidmap/guide/1", "file": str(out), "paper": paper.lower()}
        typer.echo(json.dumps(said) if as_json else f"Wrote {out}: print it and hang it over the bench.")
