"""The parts of ``midchord.trial``: the plan, the cells, permutations and power."""

__all__: list[str] = []
