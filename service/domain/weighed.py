"""What came out of a run: one outturn as functions of the inputs that a run's numbers rest on."""

from __future__ import annotations

import math
from dataclasses import dataclass

from service.domain.charge import Inputs, Reading
from service.domain.lot import Measured
from service.domain.material import Material
from service.domain.quantity import volume_u_ml, weighing_u_g
from service.domain.run import Outturn


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
    density: Measured | None = None
    if outturn.net is not None and outturn.net.dimension == "volume":
        density = outturn.strength.density
        if density is None and material.density is not None:
            density = Measured(material.density.base(), material.density.stated_u_base())
        if density is None:
            return None
        measured = Measured(outturn.net.base(), volume_u_ml(outturn.net))
    elif outturn.net is not None:
        measured = Measured(outturn.net.base(), weighing_u_g(outturn.net, readings=2))
    else:
        assert outturn.tare is not None
        k = len(outturn.gross)
        squares = math.fsum((weighing_u_g(gross, readings=1) or 0.0) ** 2 for gross in outturn.gross)
        u_tare = k * (weighing_u_g(outturn.tare, readings=1) or 0.0)
        # Exact, so that a net of 20.41 g is that and not 20.409999999999997 g.
        net = float(sum((gross.exact_base() for gross in outturn.gross), -k * outturn.tare.exact_base()))
        measured = Measured(net, math.sqrt(squares + u_tare**2))
    place, strength = inputs.take(measured), outturn.strength
    net_g = _at(place) if density is None else _by(_at(place), inputs.take(density))
    dry = net_g if strength.loss_on_drying is None else _less(net_g, inputs.take(strength.loss_on_drying))
    contained = dry if strength.assay is None else _by(dry, inputs.take(strength.assay))
    return Weighed(outturn, net_g, dry, contained)


def _at(place: int) -> Reading:
    return lambda x: x[place]


def _less(reading: Reading, place: int) -> Reading:
    return lambda x: reading(x) * (1.0 - x[place])


def _by(reading: Reading, place: int) -> Reading:
    return lambda x: reading(x) * x[place]
