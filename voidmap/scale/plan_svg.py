"""The plan of photos as a drawing."""

from __future__ import annotations

from voidmap.records import ShotPlan
from voidmap.scale.boards import PATTERN_MM


def plan_svg(plan: ShotPlan) -> str:
    """Draw the plan: the slab, each photo's frame with its number, the boards with their letters."""
    text = max(14.0, plan.length_mm / 60)
    x0, y0 = (
        min(0.0, *(middle - side / 2 for middle in middles)) - text
        for middles, side in zip(_middles(plan), plan.frame_mm, strict=True)
    )
    # The slab lies in the middle of its photos.
    wide, high = plan.length_mm - 2 * x0, plan.width_mm - 2 * y0 + 2 * text
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="{x0:.0f} {y0:.0f} {wide:.0f} {high:.0f}" '
        f'font-family="sans-serif" font-size="{text:.0f}">',
        f'<rect x="0" y="0" width="{plan.length_mm:.0f}" height="{plan.width_mm:.0f}" '
        'fill="#e6d3b3" stroke="#5b4a33"/>',
    ]
    for shot in plan.shots:
        left, top = shot.x_mm - plan.frame_mm[0] / 2, shot.y_mm - plan.frame_mm[1] / 2
        parts.append(
            f'<rect x="{left:.0f}" y="{top:.0f}" width="{plan.frame_mm[0]:.0f}" height="{plan.frame_mm[1]:.0f}" '
            'fill="#30607f" fill-opacity="0.06" stroke="#30607f" stroke-dasharray="12 6"/>'
        )
    for board in plan.boards:
        middle_x, middle_y = board.x_mm + PATTERN_MM[0] / 2, board.y_mm + PATTERN_MM[1] / 2 + text / 3
        parts.append(
            f'<rect x="{board.x_mm:.0f}" y="{board.y_mm:.0f}" width="{PATTERN_MM[0]:.0f}" height="{PATTERN_MM[1]:.0f}" '
            'fill="white" stroke="black"/>'
        )
        letter = chr(ord("A") + board.number)
        parts.append(f'<text x="{middle_x:.0f}" y="{middle_y:.0f}" text-anchor="middle">{letter}</text>')
    # On top of the boards, each near its own frame's upper side: there no other photo's number stands.
    parts += [
        f'<text x="{shot.x_mm:.0f}" y="{shot.y_mm - plan.frame_mm[1] / 2 + 1.3 * text:.0f}" text-anchor="middle" '
        f'fill="#30607f" stroke="white" stroke-width="{text / 8:.0f}" paint-order="stroke">{shot.number}</text>'
        for shot in plan.shots
    ]
    parts.append(
        f'<text x="0" y="{plan.width_mm - y0 + text:.0f}">{len(plan.shots)} photo{"s" if len(plan.shots) > 1 else ""}, '
        f"lens {plan.height_mm:.0f} mm above the top, each frame {plan.frame_mm[0]:.0f} x {plan.frame_mm[1]:.0f} mm; "
        f"slab {plan.length_mm:.0f} x {plan.width_mm:.0f} mm</text>"
    )
    return "".join([*parts, "</svg>"])


def _middles(plan: ShotPlan) -> tuple[list[float], list[float]]:
    return [shot.x_mm for shot in plan.shots], [shot.y_mm for shot in plan.shots]
