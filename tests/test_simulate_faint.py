"""The index by which a simulated pinhole counts as lost in the noise."""

import numpy as np
import pytest

from voidmap.simulate.faint import detectability

SIDE = 200


def spot(size, strength, sigma=2.0):
    axis = np.arange(SIDE)
    away2 = (axis[None, :] - size[0]) ** 2 + (axis[:, None] - size[1]) ** 2
    return (strength * np.exp(-0.5 * away2 / sigma**2)).astype(np.float32)


def test_in_white_noise_it_is_the_matched_filter_s_ratio():
    # White noise of sigma n: d' = sqrt(sum s^2) / n (D. North, 1943), less what the unknown level takes away.
    rng = np.random.default_rng(1)
    ground = rng.normal(120, 3.0, (SIDE, SIDE)).astype(np.float32)
    signal = spot((100.0, 97.0), 12.0)
    own = signal[97 - 16 : 97 + 16, 100 - 16 : 100 + 16].astype(float)
    expected = np.sqrt((own**2).sum() - own.sum() ** 2 / own.size) / 3.0
    assert detectability(signal, ground, None, (100.0, 97.0), 12.0) == pytest.approx(expected, rel=0.08)


def test_it_scales_with_the_contrast_and_falls_with_the_noise():
    rng = np.random.default_rng(2)
    noise = rng.normal(0, 1.0, (SIDE, SIDE)).astype(np.float32)
    one = detectability(spot((90, 90), 5.0), 100 + 2 * noise, None, (90.0, 90.0), 8.0)
    assert detectability(spot((90, 90), 10.0), 100 + 2 * noise, None, (90.0, 90.0), 8.0) == pytest.approx(2 * one)
    assert detectability(spot((90, 90), 5.0), 100 + 4 * noise, None, (90.0, 90.0), 8.0) == pytest.approx(
        one / 2, rel=0.01
    )


def test_texture_of_the_spot_s_own_size_hides_it():
    rng = np.random.default_rng(3)
    white = rng.normal(0, 1.0, (SIDE, SIDE))
    frequency = np.hypot(np.fft.fftfreq(SIDE)[:, None], np.fft.fftfreq(SIDE)[None, :])
    coarse = np.fft.ifft2(np.fft.fft2(white) * np.exp(-2 * (np.pi * 2.0 * frequency) ** 2)).real
    coarse = (coarse / coarse.std()).astype(np.float32)
    signal = spot((100, 100), 8.0)
    fine = detectability(signal, (100 + 2 * white).astype(np.float32), None, (100.0, 100.0), 10.0)
    assert detectability(signal, 100 + 2 * coarse, None, (100.0, 100.0), 10.0) < 0.5 * fine


def test_another_s_signal_is_left_out():
    ground = np.random.default_rng(4).normal(100, 2.0, (SIDE, SIDE)).astype(np.float32)
    alone = detectability(spot((100, 100), 9.0), ground, None, (100.0, 100.0), 8.0)
    both = detectability(spot((100, 100), 9.0) + spot((124, 100), 90.0), ground, None, (100.0, 100.0), 8.0)
    assert both == pytest.approx(alone, rel=0.02)
