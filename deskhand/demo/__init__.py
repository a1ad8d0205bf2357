"""Tern Street Hall, an invented venue with invented bands, synthesised; what was made wrong is known.

Nothing here is recorded, and no name stands for anybody.
"""

from deskhand.demo.faults import Planted
from deskhand.demo.season import make_season, make_show, season_plan

__all__ = ["Planted", "make_season", "make_show", "season_plan"]
