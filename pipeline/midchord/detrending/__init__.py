"""Parts of detrend: edge lift, the phase of the roll wave, the filter, bow."""

__all__: list[str] = []
