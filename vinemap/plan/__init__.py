"""Before the map: how much to collect, where, and in which order."""

from vinemap.plan.options import PlanOptions
from vinemap.plan.run import make_plan

__all__ = ["PlanOptions", "make_plan"]
