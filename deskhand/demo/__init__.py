"""Tern Street Hall, an invented venue with invented bands, synthesised; the faults planted in it are known.

Nothing here is recorded, and no name stands for anybody.
"""

from deskhand.demo.faults import PlantedFault
from deskhand.demo.season import ShowPlan, make_show

__all__ = ["PlantedFault", "ShowPlan", "make_show"]
