"""Records to JSON and back, and the JSON Schemas that the program publishes."""

from __future__ import annotations

import json
from functools import cache
from typing import Any, TypeVar

from voidmap import records
from voidmap.errors import JobError, ValueRefused
from voidmap.records import (
    BoardsPrinted,
    CoatRecord,
    FillPlan,
    Intake,
    LensFile,
    ProbeAdvice,
    ShotPlan,
    Verdict,
)

Record = TypeVar("Record", Intake, FillPlan, CoatRecord, Verdict, LensFile)
RECORDS: dict[str, type[Any]] = {
    "intake": Intake,
    "probe": ProbeAdvice,
    "fill": FillPlan,
    "coat": CoatRecord,
    "verdict": Verdict,
    "boards": BoardsPrinted,
    "lens": LensFile,
    "shots": ShotPlan,
}


@cache
def _adapter(name: str) -> Any:
    from pydantic import TypeAdapter

    return TypeAdapter(getattr(records, name))


def to_json(record: Any) -> dict[str, Any]:
    """Return a record as plain JSON values, its ``schema`` first."""
    return dict(json.loads(to_json_text(record)))


def to_json_text(record: Any) -> str:
    """Return a record as the text of a JSON file, the same values as ``to_json`` on one line.

    Outlines hold thousands of points: a line for each takes longer to write than to find.
    """
    from pydantic_core import to_json as as_it_is

    # What the program wrote itself need not be checked: to build the check takes longer than to write.
    rest = as_it_is(record, inf_nan_mode="null")
    return f'{{"schema":"{record.SCHEMA}",{rest[1:].decode("utf-8")}\n'


def from_json(cls: type[Record], values: Any, name: str) -> Record:
    """Return the record that JSON values hold.

    Parameters
    ----------
    cls
        The record's class.
    values
        What the JSON file held.
    name
        The file's name, for the message.

    Raises
    ------
    JobError
        When the values are not such a record, or of another version of it.
    """
    from pydantic import ValidationError

    remedy = "run the step that writes it again"
    if not isinstance(values, dict) or values.get("schema") != cls.SCHEMA:
        raise JobError(f"{name} is not a {cls.SCHEMA} file", remedy)
    fields = {key: value for key, value in values.items() if key != "schema"}
    try:
        record: Record = _adapter(cls.__name__).validate_python(fields)
    except ValidationError as error:
        first = error.errors()[0]
        place = ".".join(str(part) for part in first["loc"])
        raise JobError(f"{name} is damaged at {place} ({first['msg']})", remedy) from error
    return record


def json_schema(name: str) -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of a result: intake, probe, fill, coat or verdict.

    Raises
    ------
    ValueRefused
        When there is no result of that name.
    """
    if name not in RECORDS:
        raise ValueRefused(f"there is no result called {name}", f"name one of {', '.join(RECORDS)}")
    cls = RECORDS[name]
    schema: dict[str, Any] = _adapter(cls.__name__).json_schema(mode="serialization")
    schema["properties"] = {"schema": {"const": cls.SCHEMA}, **schema["properties"]}
    schema["required"] = ["schema", *schema.get("required", [])]
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", "$id": cls.SCHEMA, **schema}
