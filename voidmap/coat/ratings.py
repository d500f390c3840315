"""Words of published rating scales for what was counted: a help for talking, not a certified rating.

ISO 4628-1 classes the *size* of small defects (0 to 5) by how they are seen and by their diameter; ISO 4628-2
and ASTM D714 rate the *quantity* against pictures, with no number per area. A count can therefore give the size
class, and says of the quantity only that it must be compared with the pictures.
"""

from __future__ import annotations

from collections.abc import Sequence

from voidmap.records import Ratings

# ISO 4628-1, Table 2 (size of defects), upper diameter of the class in mm; from memory, to be checked against
# the standard before anyone cites it.
_SIZE_CLASS_UP_TO_MM = ((0.2, 2), (0.5, 3), (5.0, 4))
_LARGEST_CLASS = 5
# ISO 4628-2 gives S2, S3, S4, S5 beside ASTM D714 No. 8, 6, 4, 2; from memory.
_D714_OF_SIZE = {2: 8, 3: 6, 4: 4, 5: 2}
_NOTE = (
    "A help for talking about what is left, not a certified rating: sizes by ISO 4628-1 Table 2; the quantity is "
    "rated against the standards' pictures, which name no number per area. No standard limits pinholes on "
    "clear-coated wood: agree a limit beforehand."
)


def rate(diameters_mm: Sequence[float]) -> Ratings:
    """Rate pinholes of these diameters (mm) by the class of the upper quartile of their size."""
    if not diameters_mm:
        return Ratings(iso4628_2="0(S0)", astm_d714="10", note=_NOTE)
    ordered = sorted(diameters_mm)
    typical_mm = ordered[(3 * (len(ordered) - 1)) // 4]
    size = next((word for top, word in _SIZE_CLASS_UP_TO_MM if typical_mm <= top), _LARGEST_CLASS)
    return Ratings(
        iso4628_2=f"size S{size}, quantity by picture",
        astm_d714=f"No. {_D714_OF_SIZE[size]}, frequency by picture",
        note=_NOTE,
    )
