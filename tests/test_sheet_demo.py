"""The demo's own sheet: small enough to send, quickly there, and through the whole round of correcting."""

import pytest
from conftest import SIZES

MOST_MB = 12
FIRST_VIEW_S = 2.0

pytestmark = [pytest.mark.slow, pytest.mark.browser]


@pytest.mark.parametrize("size", SIZES)
def test_it_is_small_and_quickly_there(opened, demo_job, size):
    place = demo_job / "sheet.html"
    assert place.stat().st_size <= MOST_MB * 1e6
    page = opened(place, size)
    painted_ms = page.evaluate("performance.getEntriesByName('first-contentful-paint')[0].startTime")
    assert painted_ms < 1000 * FIRST_VIEW_S
    assert page.evaluate("document.documentElement.scrollWidth - window.innerWidth") <= 0
    for name in ("slab", "fill", "coats", "verdict", "record"):
        assert page.locator(f"#{name}").count() == 1
