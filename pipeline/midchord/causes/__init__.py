"""From ridge profiles of many lites to the parts of the machine: candidates, waves, shares."""

__all__: list[str] = []
