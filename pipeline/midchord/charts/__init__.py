"""The parts of ``midchord.drift``: control charts, their run lengths, and when a change began."""

__all__: list[str] = []
