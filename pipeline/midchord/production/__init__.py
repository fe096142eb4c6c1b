"""Parts of ``midchord.lots``: many stored maps, read once each, kept as sums.

``inventory`` (of ``stored``) says what there is, ``frames`` where it lies, ``sums`` what is kept
of it and ``state`` how that survives a kill; ``crossed`` and ``split`` part the variance,
``persistence`` and ``changes`` ask how often and since when. Nothing here draws.
"""

from __future__ import annotations

__all__: list[str] = []
