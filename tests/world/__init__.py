"""One generator of books of any size whose truth is known.

``make_world(seed)`` gives import lines as a client would send them and, beside them, what nobody at a bench knows: true
yields, effects, planted slips, and every figure that a correct service must find, each worked out here and by no code
of the service. ``iter_records`` streams the same lines without keeping them. The same seed gives the same book.

Two truths are kept apart. What was *written* (rounded weighings, slips) decides what a service must answer exactly, to
1 in 10⁹; what was *true* (the distribution that yields were drawn from) what its forecasts and plans should come to.
"""

from tests.world.make import World, iter_records, make_world
from tests.world.options import Options
from tests.world.truth import LotTruth, RunTruth, StepStatistics, Truth

__all__ = ["LotTruth", "Options", "RunTruth", "StepStatistics", "Truth", "World", "iter_records", "make_world"]
