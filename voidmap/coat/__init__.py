"""Pinholes in a coat: found, measured, followed from coat to coat, judged."""
