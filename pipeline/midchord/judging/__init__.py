"""Parts of judge: a limits file, the points of a zone, a decision and its words."""

__all__: list[str] = []
