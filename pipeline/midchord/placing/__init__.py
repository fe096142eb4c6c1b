"""Parts of place: which points are glass, spikes and dropouts, edges, holes."""

__all__: list[str] = []
