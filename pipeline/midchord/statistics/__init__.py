"""Method comparison and gauge studies: numbers in, numbers out, no glass in sight."""

__all__: list[str] = []
