"""How fast collision probabilities are, how well two methods agree, and beside a general integrator."""

import time

import numpy as np
from scipy import integrate, special

import shells
from shells.approaches.trains import trains_of
from shells.risk.lasting.encounter import entrances
from shells.risk.separation.budget import budget_of_planes
from shells.risk.separation.phase_averaged import node_gaps
from shells.risk.separation.states import states_of
from shells.risk.series.kernels import areas_above
from shells.risk.short_encounter import greatest_probability, quadrature_rules, short_encounter_probability

RADIUS = 10.0


def spent(function, *arguments, **options):
    """Return the result and the processor time in microseconds, after a call that compiles."""
    function(*arguments, **options)
    begun = time.process_time()
    result = function(*arguments, **options)
    return result, (time.process_time() - begun) * 1e6


def general(miss, sigmas):
    """Integrate chords of the disc by scipy."""

    def chord(x):
        half = np.sqrt(RADIUS**2 - x**2)
        strip = special.ndtr((half - miss[1]) / sigmas[1]) - special.ndtr((-half - miss[1]) / sigmas[1])
        return np.exp(-0.5 * ((x - miss[0]) / sigmas[0]) ** 2) * strip

    return integrate.quad(chord, -RADIUS, RADIUS, epsrel=1e-10)[0] / sigmas[0] / np.sqrt(2.0 * np.pi)


def separation(planes: int = 12, years: float = 10.0) -> None:
    """Time the separation budget of a stacked fleet, and collisions at one step alone."""
    fleet = shells.walker(total=50 * planes, planes=planes, pattern="star", altitude_km=1200.0, inclination_deg=87.9)
    fleet = shells.freeze(shells.stack(fleet, step_km=4.0))
    leaders = shells.propagate(fleet.isel(object=fleet["slot"].values == 0), years=years).compute()
    tolerances = shells.Tolerances("bounded", 50.0, 1e-4)
    _, cost = spent(budget_of_planes, leaders, tolerances, satellites=50)
    print(f"budget       {cost / 1e6:8.2f} s for {planes} planes over {years:g} years, separations and step solved")
    gaps, cost = spent(lambda: node_gaps(leaders, trains_of(leaders), satellites=50, within_km=0.004))
    states = states_of(tolerances, shells.ControlFaults(), 7578.0)
    _, again = spent(gaps.approaches, gaps.separation_km, states, 0.004)
    print(f"collisions   {(cost + again) / 1e6:8.2f} s for the same at its present step")


def main(count: int = 20_000) -> None:
    """Time encounters of bodies of 10 m with errors of 20 m to 3 km, up to three deviations off."""
    rng = np.random.default_rng(1)
    sigmas = 10.0 ** rng.uniform(1.3, 3.5, (count, 2))
    miss, covariance = rng.normal(size=(count, 2)) * sigmas * 3.0, sigmas[:, :, None] ** 2 * np.eye(2)
    probability = {}
    for method in ("series", "quadrature"):
        probability[method], cost = spent(short_encounter_probability, miss, covariance, RADIUS, method=method)
        print(f"{method:12} {cost / count:8.2f} us an encounter")
    likely = probability["quadrature"] > 1e-290
    parting = np.abs(probability["series"] / np.where(likely, probability["quadrature"], 1.0) - 1.0)[likely].max()
    print(f"they part by {parting:8.1e} at most, of {likely.sum()} encounters from 1e-290 on")
    _, cost = spent(greatest_probability, miss[:2000], covariance[:2000], RADIUS)
    print(f"greatest     {cost / 2000:8.2f} us an encounter")
    radii = np.full(2000, RADIUS)
    _, cost = spent(areas_above, covariance[:2000], radii, 1e-6, quadrature_rules())
    print(f"area         {cost / 2000:8.2f} us an encounter, above 1e-6")
    slow = np.array([20.0, 35.0, -30.0]), np.array([0.03, -0.05, 0.06]), np.diag([900.0, 3600.0, 625.0])
    found, cost = spent(entrances, *slow, 15.0, 1.05e-3, rng)
    error = found.probability_error / found.probability
    print(f"lasting      {cost:8.0f} us an encounter, with an error of {100.0 * error:.1f} %")
    _, cost = spent(lambda: [general(m, s) for m, s in zip(miss[:300], sigmas[:300], strict=True)])
    print(f"scipy quad   {cost / 300:8.0f} us an encounter")
    separation()
