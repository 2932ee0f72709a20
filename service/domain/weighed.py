"""What came out of a run: one outturn as functions of the inputs that a run's numbers rest on."""

from __future__ import annotations

import math
from dataclasses import dataclass

from service.domain.charge import Inputs, Reading, amount_u, density_of
from service.domain.lot import Measured
from service.domain.material import Material
from service.domain.quantity import weighing_u_g
from service.domain.run import Outturn
from service.domain.shelf_amount import net_of


@dataclass(frozen=True, slots=True)
class Weighed:
    """One outturn with its net, dry and contained mass in g as functions of the inputs."""

    outturn: Outturn
    net: Reading
    dry: Reading
    contained: Reading


def weigh(outturn: Outturn, inputs: Inputs, material: Material) -> Weighed | None:
    """Return an outturn of ``material`` as functions of ``inputs``, to which its numbers are added.

    net = gross - tare; dry = net (1 - loss on drying); contained = dry x assay, on the dry basis. A net written
    as such stands for two readings; k portions weighed on one tare have u² = Σ u_gross² + (k u_tare)². A volume weighs
    volume x density; None where no density is known.

    >>> from service.domain.quantity import parse_quantity
    >>> inputs = Inputs()
    >>> row = weigh(Outturn("salt", net=parse_quantity("20.41 g", ("mass",))), inputs, Material("salt", "salt"))
    >>> row.contained(inputs.values), round(inputs.us[0], 5)
    (20.41, 0.00408)
    """
    dimension, net = net_of(outturn)
    density = density_of(outturn.strength, material) if dimension == "volume" else None
    if dimension == "volume" and density is None:
        return None
    measured = Measured(float(net), net_u(outturn))
    place, strength = inputs.take(measured), outturn.strength
    net_g = _at(place) if density is None else _by(_at(place), inputs.take(density))
    dry = net_g if strength.loss_on_drying is None else _less(net_g, inputs.take(strength.loss_on_drying))
    contained = dry if strength.assay is None else _by(dry, inputs.take(strength.assay))
    return Weighed(outturn, net_g, dry, contained)


def net_u(outturn: Outturn) -> float | None:
    """Return the standard uncertainty of the net amount, in g or mL; None where what was written carries none.

    u² = Σ u_gross² + (k·u_tare)² for k portions on one tare; a net written as such stands for two readings.

    >>> from service.domain.quantity import parse_quantity
    >>> round(net_u(Outturn("salt", net=parse_quantity("20.41 g", ("mass",)))), 5)
    0.00408
    """
    if outturn.net is not None:
        return amount_u(outturn.net, readings=1 if outturn.net.dimension == "volume" else 2)
    assert outturn.tare is not None
    squares = math.fsum((weighing_u_g(gross, readings=1) or 0.0) ** 2 for gross in outturn.gross)
    return math.hypot(math.sqrt(squares), len(outturn.gross) * (weighing_u_g(outturn.tare, readings=1) or 0.0))


def _at(place: int) -> Reading:
    return lambda x: x[place]


def _less(reading: Reading, place: int) -> Reading:
    return lambda x: reading(x) * (1.0 - x[place])


def _by(reading: Reading, place: int) -> Reading:
    return lambda x: reading(x) * x[place]
