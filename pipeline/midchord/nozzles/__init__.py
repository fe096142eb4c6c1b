"""The imprint of the quench nozzles: registered, folded, and read nozzle by nozzle."""

__all__: list[str] = []
