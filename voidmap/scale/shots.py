"""Plan how to photograph a slab: how high, how many photos, where the boards go."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from math import ceil, hypot, prod

from voidmap.errors import ValueRefused
from voidmap.records import BoardPlace, LensFile, Shot, ShotPlan
from voidmap.scale.bars import RULE_SD, reading_sd
from voidmap.scale.boards import BARS_MM, BOARDS, CORNERS, PATTERN_MM
from voidmap.scale.plan_svg import plan_svg
from voidmap.scale.quality import PIXELS_ACROSS

EDGE_MM = 30.0
"""Bench shown around the slab, so that its edge can be told."""
SHEET_ROOM_MM = 40.0
"""Room round a pattern that both photos must show: its margin, and a hand's error in placing the camera."""
LEAST_OVERLAP = 0.3
"""Share of a frame that neighbours must share."""
BLUR_PX = 2.0
"""Circle of confusion for the depth of field: two pixels still hold a defect three pixels wide."""
LOW_MM, HIGH_MM = 250.0, 2500.0
"""Below, a phone shades its own subject; above, a stand is a scaffold."""


def plan_shots(
    length_mm: float, width_mm: float, smallest_mm: float, lens: LensFile, *, aperture: float | None = None
) -> ShotPlan:
    """Plan the photos of a slab.

    Parameters
    ----------
    length_mm, width_mm
        The slab.
    smallest_mm
        The smallest defect of interest; it gets three pixels.
    lens
        The camera's lens file.
    aperture
        The f-number, for the depth of field.

    Raises
    ------
    ValueRefused
        When a size can't be right, or the frames are too small to carry boards from one to the next.
    """
    if not 50 <= width_mm <= length_mm <= 12_000:
        raise ValueRefused(
            f"a slab of {length_mm:g} x {width_mm:g} mm can't be planned", "give length x width, as in 3.2mx0.6m"
        )
    if not 0.05 <= smallest_mm <= 20:
        raise ValueRefused(f"a smallest defect of {smallest_mm:g} mm can't be planned", "give it as in 0.5mm")
    mm_per_px = smallest_mm / PIXELS_ACROSS
    height = mm_per_px * (lens.lens.fx + lens.lens.fy) / 2
    frame = _frame(length_mm, width_mm, lens.width_px * mm_per_px, lens.height_px * mm_per_px)
    columns, step_x, over_x = _stations(length_mm, frame[0], PATTERN_MM[0])
    rows, step_y, _ = _stations(width_mm, frame[1], PATTERN_MM[1])
    xs = [length_mm / 2 + (c - (columns - 1) / 2) * step_x for c in range(columns)]
    ys = [width_mm / 2 + (r - (rows - 1) / 2) * step_y for r in range(rows)]
    boards = _boards(length_mm, width_mm, xs, ys, frame)
    shots = tuple(
        Shot(1 + r * columns + c, x, y, _in_view(boards, x, y, frame))
        for r, y in enumerate(ys)
        for c, x in enumerate(xs)
    )
    sharp = None
    if aperture and lens.focal_mm:
        sharp = depth_of_field_mm(lens.focal_mm, aperture, BLUR_PX * lens.focal_mm / lens.lens.fx, height)
    plan = ShotPlan(
        length_mm=length_mm,
        width_mm=width_mm,
        smallest_mm=smallest_mm,
        height_mm=height,
        mm_per_px=mm_per_px,
        frame_mm=frame,
        columns=columns,
        rows=rows,
        overlap=over_x,
        shots=shots,
        boards=boards,
        depth_of_field_mm=sharp,
        notes=_notes(length_mm, height, shots, boards, xs, ys, sharp),
    )
    return replace(plan, svg=plan_svg(plan))


def _frame(length_mm: float, width_mm: float, across_mm: float, down_mm: float) -> tuple[float, float]:
    """Return the frame along and across the slab, the camera turned so that fewer photos do; level when either does."""
    level = (max(across_mm, down_mm), min(across_mm, down_mm))
    counts: dict[tuple[float, float], int] = {}
    for frame in (level, level[::-1]):
        try:
            sides = zip((length_mm, width_mm), frame, PATTERN_MM, strict=True)
            counts[frame] = prod(_stations(*side)[0] for side in sides)
        except ValueRefused:
            continue
    return min(counts, key=lambda frame: counts[frame]) if counts else level


def _stations(slab_mm: float, frame_mm: float, pattern_mm: float) -> tuple[int, float, float]:
    """Return how many photos along one side, their step in mm, and the overlap as a share of the frame."""
    need = slab_mm + 2 * EDGE_MM
    if need <= frame_mm:
        return 1, 0.0, 0.0
    overlap = max(LEAST_OVERLAP * frame_mm, pattern_mm + SHEET_ROOM_MM)
    if overlap > 0.7 * frame_mm:
        raise ValueRefused(
            f"a frame of {frame_mm:.0f} mm is too small to carry a board from one photo to the next",
            "ask for a larger smallest defect, or photograph such a close-up with its own board as a coat photo",
        )
    count = 1 + ceil((need - frame_mm) / (frame_mm - overlap))
    step = (need - frame_mm) / (count - 1)
    return count, step, 1 - step / frame_mm


def _boards(
    length: float, width: float, xs: list[float], ys: list[float], frame: tuple[float, float]
) -> tuple[BoardPlace, ...]:
    """Boards in the overlaps of neighbours, and near both ends; on one photo near the four corners."""
    half_x, half_y = PATTERN_MM[0] / 2, PATTERN_MM[1] / 2
    low_x, high_x = min(half_x + 20, length / 2), max(length - half_x - 20, length / 2)
    low_y, high_y = min(half_y + 20, width / 2), max(width - half_y - 20, width / 2)
    across = [(a + b) / 2 for a, b in pairwise(xs)]
    along = [(a + b) / 2 for a, b in pairwise(ys)]
    lanes = along or ([low_y, high_y] if high_y - low_y > PATTERN_MM[1] else [width / 2])
    stops = [low_x, *across, high_x] if high_x - low_x > PATTERN_MM[0] else [length / 2]
    if len(stops) * len(lanes) > BOARDS and not along:
        lanes = [width / 2]
    spots = [(x, y) for x in stops for y in lanes]
    places = [BoardPlace(k, CORNERS, x - half_x, y - half_y, 0.0, 0.0) for k, (x, y) in enumerate(spots)]
    if len(places) > BOARDS:
        places = _fewer(places, [(x, y) for y in ys for x in xs], frame)
    return tuple(replace(place, number=k) for k, place in enumerate(places))


def _fewer(places: list[BoardPlace], photos: list[tuple[float, float]], frame: tuple[float, float]) -> list[BoardPlace]:
    """Return the places, as many as there are boards, that tie the most photos together: one after the other."""
    views = {p.number: {i for i, (x, y) in enumerate(photos) if _in_view((p,), x, y, frame)} for p in places}
    chosen: list[int] = []
    tied: set[int] = set()
    while len(chosen) < BOARDS:
        left = [n for n in views if n not in chosen and (not tied or views[n] & tied)]
        # First what ties new photos to those that are tied already; then what stands farthest from other boards.
        best = max(left, key=lambda n: (len(views[n] - tied), _apart(places, n, chosen)), default=None)
        if best is None:
            break
        chosen.append(best)
        tied |= views[best]
    return [places[n] for n in sorted(chosen)]


def _apart(places: list[BoardPlace], number: int, chosen: list[int]) -> float:
    here = places[number]
    return min((hypot(here.x_mm - places[n].x_mm, here.y_mm - places[n].y_mm) for n in chosen), default=0.0)


def _in_view(boards: tuple[BoardPlace, ...], x: float, y: float, frame: tuple[float, float]) -> tuple[str, ...]:
    return tuple(
        chr(ord("A") + b.number)
        for b in boards
        if x - frame[0] / 2 <= b.x_mm
        and b.x_mm + PATTERN_MM[0] <= x + frame[0] / 2
        and y - frame[1] / 2 <= b.y_mm
        and b.y_mm + PATTERN_MM[1] <= y + frame[1] / 2
    )


def depth_of_field_mm(focal_mm: float, aperture: float, blur_mm: float, distance_mm: float) -> tuple[float, float]:
    """Return the nearest and farthest sharp distance (infinity beyond the hyperfocal distance).

    With H = f² / (N c) + f: near = s (H - f) / (H + s - 2 f), far = s (H - f) / (H - s).
    """
    hyper = focal_mm**2 / (aperture * blur_mm) + focal_mm
    near = distance_mm * (hyper - focal_mm) / (hyper + distance_mm - 2 * focal_mm)
    far = distance_mm * (hyper - focal_mm) / (hyper - distance_mm) if distance_mm < hyper else float("inf")
    return near, far


def _bars_leave_mm(length_mm: float, boards: int) -> float:
    """Return the half-width of a length's 95 % interval that the reading of the bars leaves, x and y together."""
    own = reading_sd([BARS_MM["x"], BARS_MM["y"]] * boards)
    return float(1.96 * length_mm * hypot(own, RULE_SD))


def _notes(
    length_mm: float,
    height: float,
    shots: tuple[Shot, ...],
    boards: tuple[BoardPlace, ...],
    xs: list[float],
    ys: list[float],
    sharp: tuple[float, float] | None,
) -> tuple[str, ...]:
    notes = []
    if height < LOW_MM:
        notes.append(f"{height:.0f} mm is so near that the phone shades the slab: ask for a larger smallest defect.")
    if height > HIGH_MM:
        notes.append(f"{height:.0f} mm is high: a lower camera with more photos shows more and is easier to hold.")
    bare = [str(shot.number) for shot in shots if not shot.boards]
    if bare:
        notes.append(
            f"No planned board lies in photo {', '.join(bare)}: move one there, or give these rows boards of their own."
        )
    if len(xs) * len(ys) > 1:
        notes.append(
            f"Print the boards with voidmap boards --count {len(boards)}. Every photo must share a board with its "
            "neighbour; do not move a board between photos."
        )
        once, every = (_bars_leave_mm(length_mm, count) for count in (1, len(boards)))
        notes.append(
            f"From end to end, bars read on one board leave ± {once:.1f} mm, on every board ± {every:.1f} mm: measure "
            "them all and give --bar-x and --bar-y once for each."
        )
    notes.append("A board hides what lies under it: keep boards off cracks and voids, or photograph again without.")
    if sharp is None:
        notes.append(
            "The depth of field is not given: say --aperture, as in 1.8, with a lens file that has a focal length."
        )
    return tuple(notes)
