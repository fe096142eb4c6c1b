"""Spectra of the residual surface: along the travel, over the area, and the way the ridges run."""

__all__: list[str] = []
