"""Parts of :mod:`midchord.identify`: what a file leaves unsaid, and its coarse picture."""

__all__: list[str] = []
