"""Derive the coefficients of `kernels.secular_terms`, printed by ``python -m shells.motion.ripple.make_secular_terms``.

The motion in the zonal field is averaged by Lie series, in exact rational arithmetic. Hamiltonians and generating
functions are series in Delaunay's variables, made regular at e = 0 and with angles from the northern apex, in which
all zonals are cosine series: the mean longitude l + g - 90 deg, and Z = sqrt(2 (L - G)) exp(i (g - 90 deg)) for
eccentricity and perigee. The sine S = sqrt(1 - (H / L)^2) stands for the polar angular momentum H, which is constant.
Units: gravitational parameter, radius and zonals are one.

Sources, all from memory: G. Hori, Theory of general perturbations with unspecified canonical variables, PASJ 18, 287,
1966: the series in Poisson brackets; D. Brouwer, Solution of the problem of artificial satellite theory without drag,
AJ 64, 378, 1959: the generating function of J2; W. M. Smart, Celestial Mechanics, 1953, chapter 3: elliptic motion in
Bessel functions.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from fractions import Fraction
from math import factorial

#: Exponents (k, a, b, q) of exp(i k longitude) (Z / sqrt L)^a (conjugate of Z / sqrt L)^b S^q, with their coefficients.
Terms = dict[tuple[int, int, int, int], Fraction]

HIGHEST_ZONAL = 15

_ONE: Terms = {(0, 0, 0, 0): Fraction(1)}


@dataclass(frozen=True)
class Series:
    """L^weight times the sum of the terms; of a generating function the sum is understood to be divided by i."""

    weight: int
    terms: Terms

    def __add__(self, other: Series) -> Series:
        """Return the sum of two series of the same weight."""
        return Series(self.weight, _sum((self.terms, 1), (other.terms, 1)))

    def __sub__(self, other: Series) -> Series:
        """Return the difference of two series of the same weight."""
        return Series(self.weight, _sum((self.terms, 1), (other.terms, -1)))

    def __rmul__(self, factor: Fraction) -> Series:
        """Return the series times a number."""
        return Series(self.weight, _sum((self.terms, factor)))

    def mean(self) -> Series:
        """Return the average over the mean longitude."""
        return Series(self.weight, {key: value for key, value in self.terms.items() if key[0] == 0})

    def integral(self) -> Series:
        """Return the integral of the periodic part along the Keplerian orbit, with zero mean: a generating function."""
        # exp(i k u) / (i k n), n = L^-3; the i is understood
        return Series(self.weight + 3, {key: value / key[0] for key, value in self.terms.items() if key[0]})


def _sum(*parts: tuple[Terms, Fraction | int]) -> Terms:
    total: defaultdict[tuple[int, int, int, int], Fraction] = defaultdict(Fraction)
    for terms, factor in parts:
        for key, value in terms.items():
            total[key] += factor * value
    return {key: value for key, value in total.items() if value}


def _product(first: Terms, second: Terms, order: int) -> Terms:
    """Return the product to an order in Z."""
    total: defaultdict[tuple[int, int, int, int], Fraction] = defaultdict(Fraction)
    for (k, a, b, q), value in first.items():
        for (j, c, d, r), other in second.items():
            if a + b + c + d <= order:
                total[k + j, a + c, b + d, q + r] += value * other
    return {key: value for key, value in total.items() if value}


def _slopes(series: Series) -> tuple[Terms, Terms, Terms, Terms]:
    """Return the derivatives by longitude (over i), L (times L), Z and its conjugate (each times sqrt L)."""
    by_longitude: Terms = {key: key[0] * value for key, value in series.terms.items()}
    by_z: Terms = {(k, a - 1, b, q): a * value for (k, a, b, q), value in series.terms.items() if a}
    by_conjugate: Terms = {(k, a, b - 1, q): b * value for (k, a, b, q), value in series.terms.items() if b}
    powers: Terms = {}
    sines: Terms = {}
    for (k, a, b, q), value in series.terms.items():
        # the polar angular momentum is held: L dS^q/dL = q (S^(q - 2) - S^q)
        powers[k, a, b, q] = value * (series.weight - q - Fraction(a + b, 2))
        sines[k, a, b, q - 2] = value * q
    return by_longitude, _sum((powers, 1), (sines, 1)), by_z, by_conjugate


def bracket(function: Series, generator: Series, order: int) -> Series:
    """Return the Poisson bracket of a cosine series and a generating function, to an order in Z.

    Parameters
    ----------
    function, generator : Series
        Given to that order; the terms of the highest order in the bracket are then incomplete.
    order : int
        Highest order.

    Returns
    -------
    Series
        A cosine series. Mean longitude and L are conjugate, and the bracket of Z with its conjugate is -2 i.
    """
    f, g = _slopes(function), _slopes(generator)
    total = _sum(
        (_product(f[0], g[1], order), 1),
        (_product(f[1], g[0], order), -1),
        (_product(f[2], g[3], order), -2),
        (_product(f[3], g[2], order), 2),
    )
    return Series(function.weight + generator.weight - 1, total)


def _power(x: Terms, exponent: Fraction | int, order: int) -> Terms:
    """Return (1 + x)^exponent by the binomial series; ``x`` is at least of the second order in Z."""
    total, term, factor = _ONE, _ONE, Fraction(1)
    for m in range(1, order // 2 + 1):
        factor *= Fraction(exponent - m + 1) / m
        term = _product(term, x, order)
        total = _sum((total, 1), (term, factor))
    return total


def _bessel(k: int, order: int) -> dict[int, Fraction]:
    """Return J_k(k e) as a series in e."""
    terms = {}
    for m in range((order - k) // 2 + 1):
        terms[k + 2 * m] = (-1) ** m * Fraction(k, 2) ** (k + 2 * m) / (factorial(m) * factorial(k + m))
    return terms


def _in_variables(series: dict[tuple[int, int], Fraction], turns: int, order: int) -> Terms:
    """Return a sum over e^j exp(i k l) exp(i turns g) in the variables of `Terms`."""
    parts: list[tuple[Terms, Fraction | int]] = []
    for (j, k), value in series.items():
        if j <= order and value:  # zero where the rule that j is at least |turn| would be broken
            turn = turns - k
            rest = (j - abs(turn)) // 2
            lead: Terms = {(k, rest + max(turn, 0), rest + max(-turn, 0), 0): value}
            # e^2 = |Z|^2 / L (1 - |Z|^2 / 4 L)
            parts.append((_product(lead, _power({(0, 1, 1, 0): Fraction(-1, 4)}, Fraction(j, 2), order), order), 1))
    return _sum(*parts)


def _elliptic_motion(order: int) -> tuple[Terms, Terms]:
    """Return a / r and the exponential of i times the argument of latitude."""
    inverse: defaultdict[tuple[int, int], Fraction] = defaultdict(Fraction, {(0, 0): Fraction(1)})
    direction: defaultdict[tuple[int, int], Fraction] = defaultdict(Fraction, {(1, 0): Fraction(-1)})
    # sqrt(1 - e^2), for once with e in place of |Z|
    eta = _power({(0, 1, 1, 0): Fraction(-1)}, Fraction(1, 2), order)
    for k in range(1, order + 2):
        for j, value in _bessel(k, order + 1).items():
            for turn in (k, -k):
                inverse[j, turn] += value
                # cos f = -e + (1 - e^2) / e sum of J_k(k e) exp(i k l)
                direction[j - 1, turn] += value
                direction[j + 1, turn] -= value
                # i sin f = eta sum of the slope of J_k exp(i k l)
                for (_, m, _, _), factor in eta.items():
                    direction[j - 1 + 2 * m, turn] += factor * value * Fraction(j, turn)
    return _in_variables(inverse, 0, order), _in_variables(direction, 1, order)


def _sine_of_inclination(order: int) -> Terms:
    """Return the sine, S at e = 0: its square is 1 - (1 - S^2) (1 - |Z|^2 / 2 L)^-2."""
    rise = _power({(0, 1, 1, 0): Fraction(-1, 2)}, -2, order)
    tilt: Terms = {(0, 0, 0, -2): Fraction(-1), **_ONE}
    share = _power(_product(tilt, _sum((rise, 1), (_ONE, -1)), order), Fraction(1, 2), order)
    return _product({(0, 0, 0, 1): Fraction(1)}, share, order)


def zonal_hamiltonians(highest: int, order: int) -> list[Series]:
    """Return the Hamiltonians of the zonals, P_n(sine of latitude) / r^(n + 1), to an order in Z.

    Parameters
    ----------
    highest : int
        Highest degree.
    order : int
        Highest order in Z.

    Returns
    -------
    list of Series
        That of degree n at index n.
    """
    inverse, direction = _elliptic_motion(order)
    opposite = {(-k, b, a, q): value for (k, a, b, q), value in direction.items()}
    sine = _product(_sine_of_inclination(order), _sum((direction, Fraction(1, 2)), (opposite, Fraction(1, 2))), order)
    legendre, following, power = _ONE, sine, inverse
    hamiltonians = []
    for n in range(highest + 1):
        hamiltonians.append(Series(-2 * (n + 1), _product(power, legendre, order)))
        power = _product(power, inverse, order)
        rise = _product(sine, following, order)
        after = _sum((rise, Fraction(2 * n + 3, n + 2)), (legendre, Fraction(-n - 1, n + 2)))
        legendre, following = following, after
    return hamiltonians


def brouwer_generator(hamiltonian: Series, order: int) -> Series:
    """Return Brouwer's generating function of J2, which does not have zero mean, to an order in Z.

    Parameters
    ----------
    hamiltonian : Series
        Of J2.
    order : int
        Highest order in Z.

    Returns
    -------
    Series
        Integral of the Hamiltonian, and the mean of -3/8 G^-3 s^2 (sin 2 theta + e sin(f + 2 g) + e/3 sin(3 f + 2 g)).
    """
    _, direction = _elliptic_motion(order)
    turning = _in_variables({(1, 0): Fraction(1)}, 1, order)
    back = {(-k, b, a, q): value for (k, a, b, q), value in turning.items()}
    square = _product(direction, direction, order)
    waves = _sum(
        (square, 1),
        (_product(direction, turning, order), 1),
        (_product(_product(square, direction, order), back, order), Fraction(1, 3)),
    )
    inclination = _sine_of_inclination(order)
    size = _product(
        _product(inclination, inclination, order), _power({(0, 1, 1, 0): Fraction(-1, 2)}, -3, order), order
    )
    mean = Series(-3, _product(size, waves, order)).mean().terms
    opposite = {(-k, b, a, q): value for (k, a, b, q), value in mean.items()}
    # from the apex, sin 2 theta changes its sign
    half = Fraction(3, 16)
    return hamiltonian.integral() + Series(-3, _sum((mean, half), (opposite, -half)))


def second_order(oblateness: Series, generator: Series, zonal: Series, order: int) -> Series:
    """Return the averaged Hamiltonian of the product of J2 and another zonal.

    Parameters
    ----------
    oblateness, generator : Series
        Hamiltonian and generating function of J2.
    zonal : Series
        Hamiltonian of the other.
    order : int
        Order in Z to which these are given; the result is complete to one less.

    Returns
    -------
    Series
        Half the mean of {H_2 + K_2, W_n} + {H_n + K_n, W_2}, Hori 1966.
    """
    first = bracket(oblateness + oblateness.mean(), zonal.integral(), order)
    second = bracket(zonal + zonal.mean(), generator, order)
    return Fraction(1, 2) * (first + second).mean()


def third_order(oblateness: Series, generator: Series, order: int) -> Series:
    """Return the averaged Hamiltonian of J2 cubed.

    Parameters
    ----------
    oblateness, generator : Series
        Hamiltonian and generating function of J2.
    order : int
        Order in Z to which these are given; the result is complete to two less.

    Returns
    -------
    Series
        Mean of {H_1 + K_1, W_2} / 2 + {K_2, W_1} / 2 + {{H_1 - K_1, W_1}, W_1} / 12: the third order of Hori 1966 with
        the equations of the first and second order put in.
    """
    average = oblateness.mean()
    second = Fraction(1, 2) * bracket(oblateness + average, generator, order)
    periodic = bracket(bracket(oblateness - average, generator, order), generator, order)
    total = bracket(oblateness + average, second.integral(), order) + bracket(second.mean(), generator, order)
    return Fraction(1, 2) * total.mean() + Fraction(1, 12) * periodic.mean()


@dataclass(frozen=True)
class Rates:
    """Polynomials in sin^2 i, ascending, over the mean motion and the powers of zonals and R / a.

    Parameters
    ----------
    perigee : list of Fraction
        Rate of the argument of perigee; of even zonals.
    node : list of Fraction
        Rate of the node over cos i; of even zonals.
    forced : list of Fraction
        Rate of e cos(perigee) at e = 0, over sin i; of odd zonals.
    """

    perigee: list[Fraction]
    node: list[Fraction]
    forced: list[Fraction]


def rates(averaged: Series) -> Rates:
    """Return the rates near e = 0 by Hamilton's equations.

    Parameters
    ----------
    averaged : Series
        Averaged Hamiltonian.

    Returns
    -------
    Rates
        Empty lists for what the Hamiltonian does not have.
    """
    perigee: dict[int, Fraction] = {}
    node: dict[int, Fraction] = {}
    forced: dict[int, Fraction] = {}
    for (_, a, b, q), value in averaged.terms.items():
        if (a, b) == (1, 1):
            perigee[q // 2] = -2 * value
        elif (a, b) == (1, 0):
            forced[q // 2] = 2 * value
        elif (a, b, q > 0) == (0, 0, True):
            node[q // 2 - 1] = -q * value
    return Rates(*([part[j] for j in sorted(part)] for part in (perigee, node, forced)))


def secular_terms(highest: int = HIGHEST_ZONAL) -> dict[int, Rates]:
    """Return the rates of J2 cubed at index 2, and of J2 times J_n at index n.

    Parameters
    ----------
    highest : int
        Highest degree.

    Returns
    -------
    dict of int to Rates
        For degrees 2 to the highest.
    """
    oblateness = zonal_hamiltonians(2, 4)[2]
    found = {2: rates(third_order(oblateness, brouwer_generator(oblateness, 4), 4))}
    zonals = zonal_hamiltonians(highest, 3)
    generator = brouwer_generator(zonals[2], 3)
    for n in range(3, highest + 1):
        found[n] = rates(second_order(zonals[2], generator, zonals[n], 3))
    return found


def main() -> None:
    """Print the coefficients times 4^degree, at least 4^4, which makes them whole numbers."""
    found = secular_terms()
    for name in ("perigee", "node", "forced"):
        for degree, terms in found.items():
            row = ", ".join(str(4 ** max(degree, 4) * value) for value in getattr(terms, name))
            if row:
                print(f"{name}, degree {degree}: ({row})")


if __name__ == "__main__":
    main()
