"""Each fault of a scale is seen in a drawn photo and has its own sentence; honest photos are let through."""

import numpy as np
import pytest
from scale_scenes import Board, View, photo

from voidmap.errors import ScaleError
from voidmap.scale import assess_quality, length_interval_rel, plane_notes, solve_planes

A, B, C = Board(0, -330, -230, 3), Board(1, 130, -220, -8), Board(2, -310, 80, 12)
LEANING = View(height=640, lean=(8, -6))


def lengths_off(view, plane):
    """Relative errors of the four sides of a large quadrilateral on the top."""
    corners = np.array([[100.0, 100.0], [1500.0, 100.0], [1500.0, 1100.0], [100.0, 1100.0]])
    true, got = view.ground(corners), plane.to_mm(corners)
    sides = [np.linalg.norm(points - np.roll(points, -1, axis=0), axis=1) for points in (got, true)]
    return sides[0] / sides[1] - 1


def test_honest_boards_pass_and_lengths_are_true():
    drawn = photo(LEANING, A, B, C)
    (plane,) = solve_planes([drawn])
    off = np.abs(lengths_off(LEANING, plane))
    assert off.max() < 0.001
    assert off.max() < length_interval_rel(plane, plane.to_mm([[100, 100], [1500, 100], [1500, 1100], [100, 1100]]))
    quality = assess_quality(drawn, plane)
    assert (quality.verdict, quality.reasons) == ("good", ())
    # Only the bars, which were not given, are remarked on.
    assert len(plane_notes([drawn], [plane])) == 1


@pytest.mark.parametrize(
    ("boards", "words"),
    [
        ([A, B, Board(2, -310, 80, 12, shape=(0, 0, 0, 8, 0))], "board C is bent by [78] mm"),
        ([A, B, Board(2, -310, 80, 12, shape=(-5, 5, 0, 0, 0))], "board C is lifted on one side by (9|10|11) mm"),
        ([A, Board(1, 130, -220, -8, shape=(45, 0, 0, 0, 0)), C], "board B lies 4[3-7] mm below"),
        (
            [
                A,
                B,
                Board(2, -310, 80, 12, shape=(30, 0, 0, 0, 0)),
                Board(3, 120, 80, 2, shape=(30, 0, 0, 0, 0)),
            ],
            "lie on another plane than the other boards, as on a second slab",
        ),
        (
            [Board(b.number, b.x, b.y, b.turn_deg, stretch=(1.02, 1.0)) for b in (A, B, C)],
            "printed (1.9|2.0|2.1)% longer along x than along y",
        ),
        ([Board(3, -110, -70, 35, shape=(0, 0, 0, 8, 0))], "board D is bent"),
    ],
    ids=["bent", "lifted", "on the bench", "two slabs", "stretched", "alone and bent"],
)
def test_boards_that_cannot_serve_are_refused(boards, words):
    with pytest.raises(ScaleError, match=words):
        solve_planes([photo(LEANING, *boards)])


def test_stretched_print_serves_once_its_bars_are_measured():
    drawn = photo(LEANING, *[Board(b.number, b.x, b.y, b.turn_deg, stretch=(1.02, 0.99)) for b in (A, B, C)])
    (plane,) = solve_planes([drawn], bar_x_mm=102.0, bar_y_mm=99.0)
    assert np.abs(lengths_off(LEANING, plane)).max() < 0.001


def test_a_small_bow_is_allowed_for_and_named():
    drawn = photo(LEANING, A, B, Board(2, -310, 80, 12, shape=(0, 0, 0, 1.8, 0)))
    (plane,) = solve_planes([drawn])
    assert plane.boards[2].bow_mm == pytest.approx(-1.8, abs=0.4)
    assert any("board C is bowed by" in note for note in plane_notes([drawn], [plane]))
    assert np.abs(lengths_off(LEANING, plane)).max() < 0.0015


def test_board_cut_off_by_the_border_is_named():
    drawn = photo(LEANING, A, B, Board(2, -520, 60, 0))
    (plane,) = solve_planes([drawn])
    notes = " ".join(plane_notes([drawn], [plane]))
    assert "board C shows only" in notes
    assert "cut off by the border" in notes


def test_board_covered_in_part_is_named():
    covered = photo(LEANING, A, B, C)
    pixels = covered.pixels.copy()
    at = np.round(LEANING.project(np.array([[-205.0, 160.0]]))[0]).astype(int)
    pixels[at[1] - 130 : at[1] + 130, at[0] : at[0] + 260] = 60
    from dataclasses import replace

    hidden = replace(covered, pixels=pixels)
    (plane,) = solve_planes([hidden])
    notes = " ".join(plane_notes([hidden], [plane]))
    assert "partly covered" in notes
    assert np.abs(lengths_off(LEANING, plane)).max() < 0.0015


def test_glare_on_a_board_is_named():
    drawn = photo(LEANING, A, B, C, glare=(230.0, -150.0, 50.0))
    (plane,) = solve_planes([drawn])
    quality = assess_quality(drawn, plane)
    assert quality.verdict != "good"
    assert any("Glare lies on board B" in reason for reason in quality.reasons)
    assert np.abs(lengths_off(LEANING, plane)).max() < 0.0015


CLOSE = View(height=330, lean=(3, 2))
NEAR = Board(4, -105, -75, 4)


@pytest.mark.parametrize(
    ("view", "word"),
    [(View(height=330, lean=(3, 2), shake=3), "moved"), (View(height=330, lean=(3, 2), blur=2.6), "out of focus")],
    ids=["motion blur", "defocus"],
)
def test_unsharp_photos_are_told_apart(view, word):
    drawn = photo(view, NEAR)
    (plane,) = solve_planes([drawn])
    quality = assess_quality(drawn, plane)
    assert quality.verdict in ("usable", "reshoot")
    assert any(word in reason for reason in quality.reasons)
    assert assess_quality(photo(CLOSE, NEAR), plane).verdict == "good"


def test_photo_too_blurred_for_any_board_says_so():
    with pytest.raises(ScaleError, match="too blurred"):
        solve_planes([photo(View(height=640, blur=10.0), A)])


def test_noise_and_sharpness_are_measured():
    drawn = photo(View(height=330, lean=(3, 2), blur=1.0, noise=3.0), NEAR)
    (plane,) = solve_planes([drawn])
    quality = assess_quality(drawn, plane)
    assert quality.noise == pytest.approx(3.0, rel=0.15)
    # Closed form: the drawing's blur (0.35 px), the lens's (1 px) and the pixel's box give MTF50 = 0.17 in light;
    # the drawn picture is linear in 8 bits, which are read as sRGB: that sharpens or blunts by no more than a fifth.
    assert quality.sharpness == pytest.approx(0.17, rel=0.2)
    # Three pixels, or the blur's width when that is more.
    scale = plane.mm_per_px_at([[0.0, 0.0]])[0]
    assert quality.smallest_defect_mm >= 2.99 * scale
