"""Parts of simulate: the recipe, the exact surface, its true figures."""

__all__: list[str] = []
