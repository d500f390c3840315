"""The only reader and writer of disk: photos, the job folder, atomic files."""

from __future__ import annotations

import json
import os
import re
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from voidmap.errors import InputError, JobError, PhotoError
from voidmap.records import CoatRecord, FillPlan, Intake, Verdict

if TYPE_CHECKING:
    from voidmap.model import Photo

Record = TypeVar("Record", Intake, FillPlan, CoatRecord, Verdict)

MEASURED = "measured.json"
CORRECTIONS = "corrections.json"
RESIN = "resin.toml"

_FILE_OF: dict[type[Any], str] = {Intake: "intake.json", FillPlan: "fill.json", Verdict: "verdict.json"}
_STEP_OF: dict[str, str] = {
    "intake.json": "voidmap intake",
    "measured.json": "voidmap intake",
    "fill.json": "voidmap fill",
    "verdict.json": "voidmap verdict",
}


def load_photo(path: Path | str) -> Photo:
    """Read and decode one photo; the file is only ever read.

    Raises
    ------
    PhotoError
        When it is missing, a folder, unreadable, empty or broken.
    """
    from voidmap.photo import decode

    path = Path(path)
    if path.is_dir():
        raise PhotoError(f"{path} is a folder, not a photo", "name the photo files in it")
    try:
        data = path.read_bytes()
    except FileNotFoundError as error:
        raise PhotoError(f"there is no photo {path}", "check the name and the folder") from error
    except OSError as error:
        raise PhotoError(f"the photo {path} can't be read ({error.strerror})", "check its permissions") from error
    return decode(data, path.name)


def load_photos(paths: list[Path]) -> tuple[Photo, ...]:
    """Read several photos, refusing the same one twice."""
    photos = tuple(load_photo(path) for path in paths)
    seen: dict[str, str] = {}
    for photo in photos:
        if photo.sha256 in seen:
            raise PhotoError(f"{photo.file} and {seen[photo.sha256]} are the same photo", "name each photo once")
        seen[photo.sha256] = photo.file
    return photos


def write_bytes(path: Path | str, data: bytes) -> None:
    """Write a file whole or not at all: to a temporary neighbour first, then renamed over it.

    Raises
    ------
    InputError
        When the place can't be written.
    """
    path = Path(path)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
        try:
            with os.fdopen(handle, "wb") as out:
                out.write(data)
            os.chmod(temporary, 0o666 & ~_umask())
            os.replace(temporary, path)
        except BaseException:
            Path(temporary).unlink(missing_ok=True)
            raise
    except OSError as error:
        raise InputError(
            f"{path} can't be written ({error.strerror})", "choose a folder that you may write to"
        ) from error


def write_text(path: Path | str, text: str) -> None:
    """Write a UTF-8 text file whole or not at all."""
    write_bytes(path, text.encode("utf-8"))


def read_text(path: Path | str) -> str:
    """Read a UTF-8 text file.

    Raises
    ------
    InputError
        When it is missing, unreadable or not text.
    """
    path = Path(path)
    try:
        return path.read_text(encoding="utf-8-sig")
    except FileNotFoundError as error:
        raise InputError(f"there is no file {path}", "check the name and the folder") from error
    except UnicodeDecodeError as error:
        raise InputError(f"{path} is not a text file", "check that it is the file you meant") from error
    except OSError as error:
        raise InputError(f"{path} can't be read ({error.strerror})", "check its permissions") from error


def read_json(path: Path | str) -> Any:
    """Read a JSON file; a damaged one raises InputError with the line that is wrong."""
    text = read_text(path)
    try:
        return json.loads(text)
    except json.JSONDecodeError as error:
        raise InputError(
            f"{path} is not valid JSON at line {error.lineno}", "restore it, or run the step that writes it"
        ) from error


def write_json(path: Path | str, values: Any) -> None:
    """Write a JSON file whole or not at all."""
    write_text(path, json.dumps(values, ensure_ascii=False) + "\n")


@dataclass(frozen=True)
class Job:
    """A job folder: one slab from intake to the last coat."""

    folder: Path

    def path(self, name: str) -> Path:
        """Return the place of a file in the job folder."""
        return self.folder / name

    def has(self, cls: type[Any], *, number: int | None = None) -> bool:
        """Whether a result is there."""
        return self.path(self._name(cls, number)).is_file()

    def read(self, cls: type[Record], *, number: int | None = None, name: str | None = None) -> Record:
        """Read a result.

        Parameters
        ----------
        cls
            The record's class (Intake, FillPlan, CoatRecord or Verdict).
        number
            The coat's number, for a CoatRecord.
        name
            Another file name than the usual one (``MEASURED``).

        Raises
        ------
        JobError
            When the folder or the result is not there, or is damaged.
        """
        from voidmap.schemas import from_json

        name = name or self._name(cls, number)
        path = self.path(name)
        if not self.folder.is_dir():
            raise JobError(f"there is no job folder {self.folder}", "run voidmap intake first, or check the name")
        if not path.is_file():
            step = _STEP_OF.get(name, "voidmap coat")
            raise JobError(f"the job {self.folder} has no {name} yet", f"run {step} first")
        return from_json(cls, read_json(path), str(path))

    def write(self, record: Intake | FillPlan | CoatRecord | Verdict, *, name: str | None = None) -> Path:
        """Write a result into the job folder, atomically, and return its place."""
        from voidmap.schemas import to_json_text

        number = record.number if isinstance(record, CoatRecord) else None
        path = self.path(name or self._name(type(record), number))
        write_text(path, to_json_text(record))
        return path

    def coats(self) -> tuple[CoatRecord, ...]:
        """Read all coats, in the order of their numbers."""
        return tuple(self.read(CoatRecord, number=number) for number in self.coat_numbers())

    def coat_numbers(self) -> tuple[int, ...]:
        """Return the numbers of the coats that have been recorded, in order."""
        if not self.folder.is_dir():
            return ()
        found = (re.fullmatch(r"coat-(\d+)\.json", path.name) for path in self.folder.iterdir())
        return tuple(sorted(int(match.group(1)) for match in found if match))

    @staticmethod
    def _name(cls: type[Any], number: int | None) -> str:
        return f"coat-{number}.json" if cls is CoatRecord else _FILE_OF[cls]


def open_job(folder: Path) -> Job:
    """Return the job in a folder that need not exist yet.

    Raises
    ------
    JobError
        When the name belongs to a file.
    """
    if folder.exists() and not folder.is_dir():
        raise JobError(f"{folder} is a file, not a job folder", "name a folder (a new one is made for you)")
    return Job(folder)


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
