"""From photos of a live-edge slab to a fill plan, and from photos of seal coats to a verdict."""

__version__ = "0.1.0"
