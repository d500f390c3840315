"""``voidmap demo``: the whole job on the demo photos."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from voidmap.cli import options
from voidmap.cli.printing import progress


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command()
    def demo(
        out: Annotated[
            Path | None, typer.Option("--out", metavar="DIR", help="A new folder for the job.", show_default=False)
        ] = None,
        shown: options.Units = "shop",
        as_json: options.AsJson = False,
    ) -> None:
        """Run the whole job on the demo photos.

        An ash reception-desk top with a copper-tinted fill.

        Example: voidmap demo --out desk
        """
        import json

        from voidmap.job.demo import STEPS, demo_text, run_demo

        with progress(len(STEPS), as_json=as_json) as step:
            done = run_demo(out, step)
        typer.echo(json.dumps(done.as_json()) if as_json else demo_text(done))
