"""Composes the stages; the one place that knows their order. One module for each step of the work."""
