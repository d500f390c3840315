"""The lens stage: photos of a board become a lens file."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from voidmap.files import load_photos, write_json

if TYPE_CHECKING:
    from voidmap.records import LensFile


def make_lens(photo_files: Sequence[Path], out: Path) -> LensFile:
    """Fit the lens and write the lens file.

    Raises
    ------
    InputError
        When the photos can't be used together.
    CantTell
        When they can't determine the lens.
    """
    from voidmap.scale.calibrate import calibrate
    from voidmap.schemas import to_json

    lens = calibrate(load_photos(list(photo_files)))
    write_json(out, to_json(lens))
    return lens


def lens_text(lens: LensFile, out: Path) -> str:
    """Return a short account of a lens file."""
    f = lens.lens
    rows = ["  ".join(f"{count:5d}" for count in row) for row in lens.coverage]
    return "\n".join(
        [
            f"Wrote {out}: {lens.camera or 'camera unknown'}, {lens.width_px} x {lens.height_px} px.",
            f"Focal length {f.fx:.1f} px ± {1.96 * lens.covariance[0][0] ** 0.5:.1f}, "
            f"centre {f.cx:.1f}, {f.cy:.1f} px.",
            f"Distortion terms {', '.join(lens.terms)}; "
            f"corners fit to {lens.rms_px:.3f} px in {len(lens.photos)} photos.",
            "Corners seen over the frame:",
            *rows,
            *lens.notes,
        ]
    )
