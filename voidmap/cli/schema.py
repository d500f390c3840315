"""``voidmap schema``: the JSON Schema of a result file."""

from __future__ import annotations

from typing import Annotated

import typer

from voidmap.cli.options import AsJson


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command()
    def schema(
        name: Annotated[str, typer.Argument(metavar="NAME", help="intake, fill, coat or verdict.")],
        as_json: AsJson = False,
    ) -> None:
        """Print the JSON Schema of a result file.

        Example: voidmap schema intake
        """
        import json

        from voidmap.schemas import json_schema

        typer.echo(json.dumps(json_schema(name), indent=None if as_json else 1))
