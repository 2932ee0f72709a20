"""Standard atomic weights of the elements, and atomic masses of the isotopes that preparations are labelled with.

Elements: IUPAC/CIAAW standard atomic weights 2021 (T. Prohaska et al., Pure and Applied Chemistry 2022, 94, 573,
DOI 10.1515/pac-2019-0603), all 84 that have one. Where the standard is an interval (H, Li, B, C, N, O, Mg, Si, S, Cl,
Ar, Br, Tl, Pb) the abridged value of the same table stands in its place; the others are unabridged. The figure beside
each weight is the table's ± for it: limits that a normal material lies within, not a standard deviation.

Isotopes: the atomic mass evaluation AME2020 (M. Wang et al., Chinese Physics C 2021, 45, 030003, DOI
10.1088/1674-1137/abddaf). Their uncertainties lie below 0.000002 and are left out. A material labelled with an isotope
is taken as wholly that isotope.
"""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction
from types import MappingProxyType
from typing import Final, NamedTuple


class AtomicWeight(NamedTuple):
    """A weight in g/mol, exactly as printed, and the half-width of its limits in g/mol."""

    g_per_mol: Fraction
    limit_g_per_mol: Fraction


_ELEMENTS: Final = """
    H 1.0080 0.0002; He 4.002602 0.000002; Li 6.94 0.06; Be 9.0121831 0.0000005
    B 10.81 0.02; C 12.011 0.002; N 14.007 0.001; O 15.999 0.001
    F 18.998403162 0.000000005; Ne 20.1797 0.0006; Na 22.98976928 0.00000002; Mg 24.305 0.002
    Al 26.9815384 0.0000003; Si 28.085 0.001; P 30.973761998 0.000000005; S 32.06 0.02
    Cl 35.45 0.01; Ar 39.95 0.16; K 39.0983 0.0001; Ca 40.078 0.004
    Sc 44.955907 0.000004; Ti 47.867 0.001; V 50.9415 0.0001; Cr 51.9961 0.0006
    Mn 54.938043 0.000002; Fe 55.845 0.002; Co 58.933194 0.000003; Ni 58.6934 0.0004
    Cu 63.546 0.003; Zn 65.38 0.02; Ga 69.723 0.001; Ge 72.630 0.008
    As 74.921595 0.000006; Se 78.971 0.008; Br 79.904 0.003; Kr 83.798 0.002
    Rb 85.4678 0.0003; Sr 87.62 0.01; Y 88.905838 0.000002; Zr 91.224 0.002
    Nb 92.90637 0.00001; Mo 95.95 0.01; Ru 101.07 0.02; Rh 102.90549 0.00002
    Pd 106.42 0.01; Ag 107.8682 0.0002; Cd 112.414 0.004; In 114.818 0.001
    Sn 118.710 0.007; Sb 121.760 0.001; Te 127.60 0.03; I 126.90447 0.00003
    Xe 131.293 0.006; Cs 132.90545196 0.00000006; Ba 137.327 0.007; La 138.90547 0.00007
    Ce 140.116 0.001; Pr 140.90766 0.00001; Nd 144.242 0.003; Sm 150.36 0.02
    Eu 151.964 0.001; Gd 157.25 0.03; Tb 158.925354 0.000007; Dy 162.500 0.001
    Ho 164.930329 0.000005; Er 167.259 0.003; Tm 168.934219 0.000005; Yb 173.045 0.010
    Lu 174.9668 0.0001; Hf 178.486 0.006; Ta 180.94788 0.00002; W 183.84 0.01
    Re 186.207 0.001; Os 190.23 0.03; Ir 192.217 0.002; Pt 195.084 0.009
    Au 196.966570 0.000004; Hg 200.592 0.003; Tl 204.38 0.01; Pb 207.2 1.1
    Bi 208.98040 0.00001; Th 232.0377 0.0004; Pa 231.03588 0.00001; U 238.02891 0.00003
"""

_ISOTOPES: Final = """
    D 2.01410177784; T 3.01604928132; 1H 1.0078250319; 6Li 6.0151228874; 7Li 7.016003434
    10B 10.012936862; 11B 11.009305167; 12C 12; 13C 13.00335483534; 14C 14.003241989
    14N 14.00307400425; 15N 15.0001088983; 16O 15.9949146193; 17O 16.999131756; 18O 17.9991596121
    28Si 27.9769265344; 29Si 28.9764946643; 30Si 29.973770137; 31P 30.9737619977; 32P 31.97390764
    32S 31.9720711735; 33S 32.9714589086; 34S 33.96786701; 35Cl 34.96885269; 37Cl 36.96590257
    79Br 78.9183376; 81Br 80.9162882
"""

_UNSTABLE: Final = (
    "Tc Pm Po At Rn Fr Ra Ac Np Pu Am Cm Bk Cf Es Fm Md No Lr Rf Db Sg Bh Hs Mt Ds Rg Cn Nh Fl Mc Lv Ts Og"
)


def _table(printed: str) -> dict[str, AtomicWeight]:
    table = {}
    for entry in printed.replace("\n", ";").split(";"):
        if fields := entry.split():
            table[fields[0]] = AtomicWeight(Fraction(fields[1]), Fraction(fields[2] if len(fields) > 2 else 0))
    return table


ELEMENTS: Final[Mapping[str, AtomicWeight]] = MappingProxyType(_table(_ELEMENTS))
ISOTOPES: Final[Mapping[str, AtomicWeight]] = MappingProxyType(_table(_ISOTOPES))
"""Isotopes by mass number and symbol, as ``13C``; deuterium and tritium by the symbols of their own."""

WITHOUT_STANDARD_WEIGHT: Final = frozenset(_UNSTABLE.split())
"""Elements of no characteristic terrestrial composition, for which the source gives no standard atomic weight."""
