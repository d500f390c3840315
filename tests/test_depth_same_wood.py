"""Photos between which boards were moved are refused by the wood, those of another slab named; honest ones pass."""

from dataclasses import replace

import pytest
from scale_scenes import View, board, photo

from voidmap import surface
from voidmap.depth.same_wood import check_wood
from voidmap.errors import ScaleError
from voidmap.scale import rectify, solve_planes

FIRST = View(height=900, lens=(840.0, 840.0, 559.5, 419.5, 0.0, 0.0, 0.0, 0.0, 0.0), size=(1120, 840))
SECOND = replace(FIRST, target=(160.0, 40.0), lean=(2.0, -3.0), roll_deg=-3.0, seed=2)
A, B = board(0, -330, -230, 3), board(1, 130, 90, -8)


@pytest.fixture(scope="module")
def first():
    return photo(FIRST, A, B, name="one.jpg")


def shifted(sheet, x, y):
    return replace(sheet, x_mm=sheet.x_mm + x, y_mm=sheet.y_mm + y)


def judge(*shots):
    planes = solve_planes(shots)
    ortho = rectify(shots[0], planes[0])
    return check_wood(surface.find_slab(ortho, planes[0].patterns_mm), shots, planes)


def test_photos_of_one_slab_pass(first):
    assert judge(first, photo(SECOND, A, B, name="two.jpg")) == ()


def test_boards_moved_alike_are_told_by_the_wood(first):
    moved = photo(SECOND, shifted(A, 20, -15), shifted(B, 20, -15), name="two.jpg")
    with pytest.raises(ScaleError, match=r"moved between one\.jpg and two\.jpg: .* up to 25 mm"):
        judge(first, moved)


def test_a_nudge_is_enough(first):
    with pytest.raises(ScaleError, match="the boards were moved"):
        judge(first, photo(SECOND, shifted(A, 1.6, 1.2), shifted(B, 1.6, 1.2), name="two.jpg"))


def test_one_of_two_boards_moved_is_no_lifted_board(first):
    with pytest.raises(ScaleError, match=r"board A and board B lie (11|12) mm otherwise .* one of them was moved"):
        judge(first, photo(SECOND, A, shifted(B, 10, -6), name="two.jpg"))


def test_a_board_on_another_plane_is_no_moved_board(first):
    low = replace(B, shape_mm=(40.0, 0.0, 0.0, 0.0, 0.0))
    with pytest.raises(ScaleError, match="plane of the other boards"):
        judge(photo(FIRST, A, low, name="one.jpg"), photo(SECOND, A, low, name="two.jpg"))


def test_boards_on_a_panel_are_no_moved_boards(first):
    raised = [replace(sheet, shape_mm=(-10.0, 0.0, 0.0, 0.0, 0.0)) for sheet in (A, B)]
    away = replace(SECOND, target=(300.0, 120.0))
    shots = [photo(view, *raised, name=name) for view, name in ((FIRST, "one.jpg"), (away, "two.jpg"))]
    with pytest.raises(ScaleError, match=r"(9|10|11) mm below the boards.*--board-thickness (9|10|11)mm"):
        judge(*shots)
    planes = solve_planes(shots, board_thickness_mm=10.0)
    slab = surface.find_slab(rectify(shots[0], planes[0]), planes[0].patterns_mm)
    assert check_wood(slab, shots, planes) == ()


def test_another_slab_is_told(first):
    (note,) = judge(first, photo(SECOND, A, B, name="two.jpg", length_mm=980.0, width_mm=700.0))
    assert "The wood of two.jpg was not found again in one.jpg" in note
