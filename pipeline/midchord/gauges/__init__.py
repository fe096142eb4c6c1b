"""The virtual gauges that ride on the peaks; the three-point one is midchord.gauge."""

__all__: list[str] = []
