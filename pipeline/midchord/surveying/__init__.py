"""Parts of validate, and the hand survey alone: readings, twins, places, suspects, plans."""

__all__: list[str] = []
